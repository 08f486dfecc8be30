"""Without the extra: one line that says what to install. With it: no other command pays for it."""

import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from preflight.cli import COMMANDS, main
from preflight.cli.archive import NEEDED, command

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "args", [["add", "x"], ["find"], ["like", "x"], ["show", "x"], ["note", "x", "y"], ["page", "x.html"]]
)
def test_without_the_extra_one_line_says_what_to_install(args):
    # An interpreter in which those packages cannot be found, as where they were never installed.
    code = (
        "import sys\n"
        "class Without:\n"
        "    def __init__(self, finder): self.finder = finder\n"
        "    def __getattr__(self, name): return getattr(self.finder, name)\n"
        "    def find_spec(self, name, *more):\n"
        f"        return None if name in {set(NEEDED)!r} else self.finder.find_spec(name, *more)\n"
        "sys.meta_path[:] = map(Without, sys.meta_path)\n"
        "import preflight.cli; preflight.cli.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "archive", *args], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 2 and done.stdout == "" and done.stderr.count("\n") == 1
    [(python, needs)] = re.findall(r'"([^"]+)" -m pip install (.*)', done.stderr)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extra = project["optional-dependencies"]["archive"]
    # By our name, the public index gives another project: the packages themselves are named.
    assert python == sys.executable and sorted(shlex.split(needs)) == sorted(extra)


def test_without_pip_it_names_the_document():
    code = (
        "import importlib.util, sys\nfound = importlib.util.find_spec\nimportlib.util.find_spec = lambda "
        "name, *more: None if name in ('pip', 'dask') else found(name, *more)\nimport preflight.cli; "
        "preflight.cli.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "archive", "find"], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 2 and "see docs/archive.md" in done.stderr and done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    "args", [["study", "captures/loop.pcap.gz"], ["archive", "--help"], ["why", "loop"], ["--help"]]
)
def test_no_other_command_imports_any_of_it(args):
    code = (
        "import sys\nfrom preflight.cli import main\nsys.argv[1:] = " + repr(args) + "\n"
        f"try: main()\nfinally: print(sorted({set(NEEDED)!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.splitlines()[-1] == "[]", done


def test_asking_does_not_start_what_only_adding_needs(tmp_path):
    code = (
        "import sys\nfrom preflight.cli import main\n"
        f"sys.argv[1:] = ['archive', 'find', '--archive', {str(tmp_path)!r}]\n"
        "try: main()\nfinally: print(sorted({'dask', 'distributed', 'pyarrow', 'numpy'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.splitlines()[-1] == "[]", done


def test_the_command_stands_in_the_help_and_its_parts_have_help():
    assert "archive" in COMMANDS
    for name in command.commands:  # type: ignore[attr-defined]
        done = CliRunner().invoke(main, ["archive", name, "--help"])
        assert done.exit_code == 0 and done.stdout.startswith(f"Usage: preflight archive {name}")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["add", "/nowhere/at/all"], "/nowhere/at/all: nothing is there"),
        (["find", "--since", "yesterday"], "does not match the format"),
        (["find", "--csv", "x.pcap"], "does not end in .csv"),
        (["page", "x.pcap"], "does not end in .html"),
        (["like", "nothing"], "no such case"),
        (["show", "nothing\x1b[2J"], "no such case"),
        (["find", "--archive", "nothing://x"], "cannot be opened"),
        (["add", "--cluster", "nothing"], "Traceback"),
    ],
)
def test_errors_are_one_line(args, said, tmp_path):
    place = [] if "--archive" in args else ["--archive", str(tmp_path / "a")]
    done = CliRunner().invoke(main, ["archive", *args, *place])
    if said == "Traceback":  # nothing to do, so that no cluster is asked
        assert done.exit_code == 0 and said not in done.output
        return
    assert done.exit_code == 2 and said in done.stderr, done.output
    assert done.stderr.count("\n") == 1 and "\x1b" not in done.stderr
