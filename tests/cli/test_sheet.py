"""`sheet new`, `sheet check` and `--sheet` from the command line."""

from pathlib import Path

import pytest

from preflight.rig.template import TEMPLATE
from tests.cli.test_cli import CLEAN, run


@pytest.fixture
def file(tmp_path) -> Path:
    return tmp_path / "rig.toml"


def test_new_then_check(file):
    done = run("sheet", "new", str(file))
    assert done.exit_code == 0 and file.read_text(encoding="utf-8") == TEMPLATE == run("sheet", "new").stdout
    done = run("sheet", "check", str(file))
    assert done.exit_code == 0 and "6 devices, 2 switches, 1 cable, 2 streams" in done.stdout


def test_new_never_writes_over_a_sheet(file):
    file.write_text("mine", encoding="utf-8")
    done = run("sheet", "new", str(file))
    assert (
        done.exit_code == 2 and "there already" in done.stderr and file.read_text(encoding="utf-8") == "mine"
    )


@pytest.mark.parametrize(
    "command", [["sheet", "check"], ["study", CLEAN, "--sheet"], ["linecheck", "--sheet"]]
)
def test_mistakes_are_told_a_line_each(file, command):
    text = TEMPLATE.replace("length_m", "lenght_m").replace("= 85", "= 85\nhue = 'red\\u001b'", 1)
    line = text[: text.index("lenght_m")].count("\n") + 1
    file.write_text(text, encoding="utf-8")
    done = run(*command, str(file))
    assert done.exit_code == 2 and done.stdout == "" and "\x1b" not in done.stderr
    first, second = done.stderr.splitlines()
    assert (
        f"line {line}: cable 1, lenght_m" in first
        and "length_m?" in first
        and f"line {line + 1}: cable 1, hue" in second
    )


def test_a_sheet_that_is_not_there(file):
    done = run("study", CLEAN, "--sheet", str(file))
    assert done.exit_code == 2 and "No such file" in done.stderr and done.stderr.count("\n") == 1


def test_the_sheets_limits_change_the_verdict(file):
    file.write_text("name = 'strict'\n[limits.link-load]\nfail_share = 1e-6\n", encoding="utf-8")
    assert run("study", CLEAN).exit_code == 0
    done = run("study", CLEAN, "--sheet", str(file))
    assert done.exit_code == 1 and "FAIL link-load" in done.stdout


def test_without_a_sheet_it_says_what_one_would_add(file):
    assert "--sheet FILE" in run("study", CLEAN).stdout
    file.write_text("name = 'x'", encoding="utf-8")
    assert "--sheet" not in run("study", CLEAN, "--sheet", str(file)).stdout
