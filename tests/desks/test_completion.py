"""The Tab key in real shells: what stands on the line after it was pressed."""

import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from preflight.checks import all_checks
from tests.pipes import PATIENCE_S

TYPED = [
    ("preflight stu", "preflight study "),
    ("preflight study --rep", "preflight study --report "),
    ("preflight why stray-d", "preflight why stray-dhcp "),
    ("preflight rehearse wifi", "preflight rehearse wifi-bridge "),
    ("preflight linecheck --adapter l", "preflight linecheck --adapter lo "),
    ("preflight study only-th", "preflight study only-this.pcap "),
    ("./bin/preflight soak tre", "./bin/preflight soak trend "),
]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with a capture in it, and the program in `bin` there."""
    (tmp_path / "only-this.pcap").write_bytes(b"")
    (tmp_path / "bin").mkdir()
    program = tmp_path / "bin/preflight"
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m preflight "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    return tmp_path


class Screen:
    """A shell on a terminal of its own."""

    def __init__(self, place: Path, *shell: str) -> None:
        self._tmux = ["tmux", "-L", f"tab-{place.name}", "-f", "/dev/null"]
        # The program is the checkout's: it is found from wherever the shell stands.
        here = {
            "PYTHONPATH": str(Path(__file__).parents[2]),
            "HOME": str(place),
            "PS1": "$ ",
            "TERM": "screen",
        }
        environment = [word for name, value in here.items() for word in ("-e", f"{name}={value}")]
        command = shlex.join(["env", f"PATH={place}/bin:/usr/bin:/bin", *shell])
        self._run("new-session", "-d", "-x", "120", "-y", "30", "-c", str(place), *environment, command)

    def _run(self, *args: str) -> str:
        return subprocess.run([*self._tmux, *args], capture_output=True, text=True, check=True).stdout

    def type(self, text: str) -> None:
        self._run("send-keys", text)

    def waits_for(self, text: str, there: bool = True) -> None:
        """Until a line ends with it, or none does; blanks at the end do not count on a screen."""
        ends = time.monotonic() + PATIENCE_S
        while any(line.rstrip().endswith(text.rstrip()) for line in self.lines()) != there:
            assert time.monotonic() < ends, "\n".join(self.lines())
            time.sleep(0.2)

    def lines(self) -> list[str]:
        return self._run("capture-pane", "-p").splitlines()

    def close(self) -> None:
        self._run("kill-session")


SHELLS = {
    "bash": (["bash", "--norc", "--noprofile"], 'eval "$(preflight completion bash)"'),
    "zsh": (["zsh", "-f"], 'autoload -Uz compinit; compinit -u; eval "$(preflight completion zsh)"'),
    "fish": (["fish", "--no-config"], "preflight completion fish | source"),
}


@pytest.fixture(params=SHELLS)
def screen(request: pytest.FixtureRequest, place: Path) -> Iterator[Screen]:
    command, setup = SHELLS[request.param]
    assert shutil.which(command[0]), f"{command[0]} is not installed"
    screen = Screen(place, *command)
    try:
        for line in (setup, "clear; echo read''y"):
            screen.type(line)
            screen.type("Enter")
        screen.waits_for("ready")
        yield screen
    finally:
        screen.close()


def test_tab_completes(screen: Screen) -> None:
    for typed, wanted in TYPED:
        screen.type(typed)
        screen.type("Tab")
        screen.waits_for(wanted)
        screen.type("C-u")  # takes the line away in each of them
        screen.waits_for(wanted, there=False)


def test_powershell_is_told_the_same() -> None:
    """Its side of the talk, as its lines have it: PowerShell itself is not at hand here."""

    def told(*words: str, at: str) -> list[list[str]]:
        env = {"_PREFLIGHT_COMPLETE": "powershell_complete", "COMP_WORDS": "\n".join(words), "COMP_WORD": at}
        done = subprocess.run(
            [sys.executable, "-m", "preflight"], env=env, capture_output=True, text=True, check=False
        )
        assert done.stderr == ""
        return [line.split("\t") for line in done.stdout.splitlines() if line]

    assert told("preflight", "stu", at="stu") == [["study", "Give the same verdict from saved captures."]]
    assert [word for word, _ in told("preflight", "study", "--rep", at="--rep")] == ["--report"]
    assert [word for word, _ in told("preflight", "why", at="")] == [check.name for check, _ in all_checks()]
    assert told("preflight", "study", at="") == []  # files: PowerShell completes them
    assert not any("\t" in help_ or not help_ for _, help_ in told("preflight", at=""))
