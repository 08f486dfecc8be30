"""Privilege is given up for good: run in a process of its own, as root, the way sudo would."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0, reason="only root has privilege to give up"
)
NOBODY, GROUP = 65534, 65533
PROGRAM = """
import json, os, sys
from pathlib import Path
from preflight.frames import privilege
{readable}
privilege.drop()
status = dict(line.split(":\\t") for line in Path("/proc/self/status").read_text(encoding="utf-8").splitlines() if ":\\t" in line)
try:
    Path(sys.argv[1]).write_text("mine", encoding="utf-8")
    wrote = True
except OSError:
    wrote = False
try:
    os.setuid(0)
    back = os.geteuid() == 0
except OSError:
    back = False
print(json.dumps([os.getresuid(), os.getresgid(), os.getgroups(), status["CapEff"], status["CapPrm"], wrote, back]))
"""


def dropped(file: Path, readable: str = "", **environment: str) -> list:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM.format(readable=readable), str(file)],
        env={**os.environ, **environment}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)


def test_run_by_sudo_it_becomes_the_caller_and_its_files_are_theirs(tmp_path: Path) -> None:
    tmp_path.chmod(0o777)
    for folder in tmp_path.parents:
        if folder.owner() == "root" and folder.name.startswith(("pytest", "popen")):
            folder.chmod(0o755)
    file = tmp_path / "file"
    told = dropped(
        file,
        "privilege._readable = lambda _: True",
        SUDO_UID=str(NOBODY),
        SUDO_GID=str(GROUP),
        SUDO_USER="no-such",
    )
    none = "0" * 16
    assert told == [[NOBODY] * 3, [GROUP] * 3, [GROUP], none, none, True, False]
    assert (file.stat().st_uid, file.stat().st_gid) == (NOBODY, GROUP)


REFUSED = """
def refuse(_groups):
    raise ValueError("too many groups")
os.setgroups = refuse
"""


@pytest.mark.parametrize(("readable", "user"), [("True", NOBODY), ("False", 0)])
def test_a_system_that_takes_no_long_list_of_groups_stops_nothing(
    tmp_path: Path, readable: str, user: int
) -> None:
    """macOS, where the caller or root is in more than 16: Python then raises ValueError, without asking the
    system."""
    tmp_path.chmod(0o777)
    told = dropped(
        tmp_path / "file",
        f"privilege._readable = lambda _: {readable}{REFUSED}",
        SUDO_UID=str(NOBODY),
        SUDO_GID=str(GROUP),
        SUDO_USER="no-such",
    )
    assert told[0] == [user] * 3


@pytest.mark.parametrize(
    "environment", [{}, {"SUDO_UID": "x", "SUDO_GID": "1"}, {"SUDO_UID": "0", "SUDO_GID": "0"}]
)
def test_root_itself_keeps_what_reaches_files_only(tmp_path: Path, environment: dict[str, str]) -> None:
    for name in ("SUDO_UID", "SUDO_GID"):
        environment.setdefault(name, "")
    ids, _, _, effective, permitted, wrote, _ = dropped(tmp_path / "file", **environment)
    assert ids == [0, 0, 0] and int(effective, 16) == int(permitted, 16) == 0b110 and wrote


def test_where_the_caller_cannot_read_the_program_it_stays_root_without_capabilities(tmp_path: Path) -> None:
    told = dropped(
        tmp_path / "file", "privilege._readable = lambda _: False", SUDO_UID=str(NOBODY), SUDO_GID=str(GROUP)
    )
    assert told[0] == [0, 0, 0] and int(told[3], 16) == 0b110
