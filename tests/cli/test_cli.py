"""The command line: one-line errors, exit statuses, JSON alone on standard output, a light start."""

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from preflight import __version__
from preflight.cli import COMMANDS, main
from preflight.cli.options import Duration, status_of
from tests.pipes import PATIENCE_S, drained

CAPTURES = Path(__file__).parent.parent.parent / "captures"
LOOP, CLEAN = str(CAPTURES / "loop.pcap.gz"), str(CAPTURES / "no-dhcp.pcap")
PREFLIGHT = [sys.executable, "-m", "preflight"]


def run(*args, **more):
    return CliRunner().invoke(main, args, **more)


def test_help_lists_the_commands_in_order_and_loads_little():
    code = (
        "import sys\nfrom preflight.cli import main\n"
        "try: main(['--help'])\n"
        "finally: print({'numba','scapy','rich','numpy','zeroconf','psutil','jinja2'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "set()"
    at = [done.stdout.index(f"\n  {name} ") for name in COMMANDS]
    assert at == sorted(at)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name):
    done = run(name, "--help")
    assert done.exit_code == 0 and done.stdout.startswith(f"Usage: preflight {name}")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["foo"], "there is no command 'foo'"),
        (["study"], "Missing argument"),
        (["study", "--nope", "x"], "No such option"),
        (["study", "not-there.pcap"], "not-there.pcap: no such file"),
        (["linecheck", "--listen", "soon"], "'soon' is no duration"),
        (["linecheck", "--listen", "0"], "'0' is no duration"),
        (["linecheck", "--save", CLEAN], "does not end in .pcapng"),
        (["linecheck", "--save-limit", "0GB"], "'0GB' is no size"),
        (["linecheck", "--adapter", "none\x1b[2J0"], "there is no adapter"),
        (["why", "lop"], "Did you mean loop?"),
        (["rehearse", "nothing"], "there is no bundled capture 'nothing'"),
        (["study", CLEAN, f"--json={CLEAN}"], "would write over"),
        (["study", CLEAN, "--report", CLEAN], "does not end in .html"),
        (["study", CLEAN, LOOP, "--save-result", "x.json"], "the result of one capture"),
        (["study", CLEAN, "--save-result", CLEAN], "does not end in .json"),
        (["study", CLEAN, LOOP, "--report", "x.html"], "the page of one capture"),
        (["study", "-", "--evidence", "x"], "no pipe"),
        (["linecheck", "--evidence", "x"], "Give both"),
    ],
)
def test_errors_are_one_line_on_standard_error(args, said):
    done = run(*args)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert said in done.stderr and done.stderr.count("\n") == 1 and "\x1b" not in done.stderr


@pytest.mark.parametrize(
    ("text", "seconds"), [("20s", 20), ("500ms", 0.5), ("2m", 120), ("20", 20), ("1.5 s", 1.5), ("1h", 3600)]
)
def test_durations(text, seconds):
    assert Duration().convert(text, None, None) == seconds


@pytest.mark.parametrize(("statuses", "worst"), [([0, 3, 1, 2], 2), ([0, 3, 1], 1), ([0, 3], 3), ([0], 0)])
def test_worst_status(statuses, worst):
    assert status_of(statuses) == worst


def test_study_says_not_ready():
    done = run("study", LOOP)
    assert done.exit_code == 1
    assert done.stdout.startswith("NOT READY ==")
    assert "1. FAIL loop" in done.stdout and len(done.stdout.splitlines()) <= 24


def test_a_bare_json_never_takes_the_capture_for_its_file():
    before = Path(LOOP).read_bytes()
    done = run("study", "--json", LOOP)
    assert json.loads(done.stdout)["verdict"] == "not ready"
    assert Path(LOOP).read_bytes() == before


@pytest.mark.parametrize("form", [["--json", "{}.json"], ["--json={}"]])
def test_json_to_a_file_beside_the_text(tmp_path, form):
    done = run("study", LOOP, *(part.format(tmp_path / "out") for part in form))
    assert done.exit_code == 1 and "NOT READY" in done.stdout
    (file,) = tmp_path.iterdir()
    assert json.loads(file.read_text(encoding="utf-8"))["schema"] == 1


def test_several_files_are_json_lines_and_a_bad_one_costs_only_itself(tmp_path, monkeypatch):
    from tests.cli.warm import forked  # Windows has no such thing, where others import this file

    monkeypatch.setattr("preflight.inbox.pool.get_context", forked)
    (tmp_path / "bad.pcap").write_bytes(b"no capture at all, only words")
    done = run("study", "--json", CLEAN, str(tmp_path / "bad.pcap"), LOOP)
    assert done.exit_code == 2
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert [each["verdict"] for each in told] == ["ready", "unreadable", "not ready"]
    assert "bad.pcap" in told[1]["refused"] and told[1]["findings"] == []
    assert "bad.pcap" in done.stderr and done.stderr.count("\n") == 1


def test_json_that_cannot_be_written_is_one_line(tmp_path):
    done = run("study", LOOP, f"--json={tmp_path}")
    assert done.exit_code == 2 and "cannot be written" in done.stderr and done.stderr.count("\n") == 1


def test_report_beside_the_text_and_the_json(tmp_path):
    page = tmp_path / "page.html"
    done = run("study", LOOP, "--json", "--report", str(page))
    assert done.exit_code == 1 and json.loads(done.stdout)["verdict"] == "not ready"
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_report_that_cannot_be_written_is_one_line(tmp_path):
    (tmp_path / "page.html").mkdir()
    done = run("study", LOOP, "--report", str(tmp_path / "page.html"))
    assert done.exit_code == 2 and "--report" in done.stderr and done.stderr.count("\n") == 1


def test_evidence_goes_into_a_folder(tmp_path):
    done = run("study", LOOP, "--json", "--evidence", str(tmp_path / "e"))
    assert json.loads(done.stdout)["verdict"] == "not ready"
    assert "loop.pcapng" in done.stderr and (tmp_path / "e" / "loop.pcapng").stat().st_size < 100_000


def test_study_reads_standard_input():
    with Path(CLEAN).open("rb") as capture:
        done = subprocess.run([*PREFLIGHT, "study", "-"], stdin=capture, capture_output=True, text=True)
    assert done.returncode == 0 and done.stdout.startswith("READY\n"), done
    assert "standard input: 2 283 frames" in done.stdout


def test_a_closed_pipe_is_quiet():
    shell = f"{sys.executable} -m preflight study {LOOP} {LOOP} | head -n 1"
    done = subprocess.run(["sh", "-c", shell], capture_output=True, text=True)
    assert done.stdout.count("\n") == 1 and done.stderr == ""


@pytest.mark.parametrize("ends", [">&-", ">&- 2>&-"])
def test_closed_outputs_do_no_harm(ends):
    done = subprocess.run(
        ["sh", "-c", f"{sys.executable} -m preflight study {LOOP} {ends}"], capture_output=True
    )
    assert (done.returncode, done.stderr) == (1, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_is_one_line():
    done = subprocess.run(
        ["sh", "-c", f"{sys.executable} -m preflight study {LOOP} > /dev/full"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2 and done.stderr.count("\n") == 1 and "space" in done.stderr, done.stderr


def test_a_terminal_without_unicode_still_gets_the_words():
    ours, theirs = os.openpty()
    done = subprocess.run(
        [*PREFLIGHT, "study", "naïve-→.pcap"],
        stderr=theirs,
        env=os.environ | {"PYTHONIOENCODING": "iso8859-1"},
    )
    os.close(theirs)
    said = os.read(ours, 1000)
    assert done.returncode == 2 and said.startswith(b"preflight study: na\xefve-?.pcap: no such file"), said


def test_a_file_or_pipe_is_utf_8_whatever_the_system_says(tmp_path):
    """As on Windows, whose own encoding is another one."""
    capture = tmp_path / "naïve.pcap"
    capture.write_bytes(Path(CLEAN).read_bytes())
    for more in ([], ["--json"]):
        with (tmp_path / "out").open("wb") as out:
            subprocess.run(
                [*PREFLIGHT, "study", str(capture), *more],
                stdout=out,
                env=os.environ | {"PYTHONIOENCODING": "cp1252"},
            )
        assert "naïve.pcap" in (tmp_path / "out").read_text(encoding="utf-8")


def test_the_version_tells_what_a_supporter_asks_first():
    said = run("--version").stdout.splitlines()
    assert re.fullmatch(rf"preflight {re.escape(__version__)}, commit ([0-9a-f]{{12}}|not known)", said[0])
    assert (
        said[1].startswith("compiled kernels: ")
        and Path(said[2].removeprefix("documents: "), "listening.md").is_file()
    )


def test_ctrl_c_while_waiting_for_a_pipe_gives_what_was_read_or_one_line():
    with subprocess.Popen(
        [*PREFLIGHT, "study", "-"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as waiting:
        assert waiting.stdin is not None
        os.write(waiting.stdin.fileno(), b"\xd4")  # the first byte of a capture, and no more
        drained(waiting.stdin.fileno())
        waiting.send_signal(signal.SIGINT)
        out, err = waiting.communicate(timeout=PATIENCE_S)
    assert waiting.returncode == 130, (out, err)
    assert err.decode().strip() == "preflight: stopped by hand."


def test_ctrl_c_while_a_class_is_made_is_no_fault():
    """Python 3.11 makes another error of it."""
    code = """
import sys, types, click
from preflight import cli
class Pressed:
    def __set_name__(self, owner, name): raise KeyboardInterrupt
@click.command()
def command(): type("Facts", (), {"shown": Pressed()})
sys.modules["preflight.cli.why"] = types.SimpleNamespace(command=command)
cli.main(["why"])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr.strip()) == (130, "", "preflight: stopped by hand.")


def test_why_lists_and_explains():
    listed = run("why")
    assert listed.exit_code == 0 and "loop" in listed.stdout
    told = run("why", "loop")
    for part in ("Looks at:", "Why:", "Limits", "common practice", "To fix", "Take care:"):
        assert part in told.stdout


def test_rehearse_agrees_with_the_manifest():
    done = run("rehearse")
    assert done.exit_code == 0, done.stdout


def test_why_finds_a_word_in_the_texts():
    found = run("why", "dropouts")
    assert found.exit_code == 0 and "clock" in found.stdout and "clicks first, then dropouts." in found.stdout
    assert "broadcast-storm" not in found.stdout
    assert "loop" in run("why", "two", "cables").stdout
    assert run("why", "lock").exit_code == 2, "words are found by their beginning, not in their middle"


def test_preflight_alone_prints_its_help():
    done = run()
    assert done.exit_code == 0 and done.stdout == run("--help").stdout


def test_full_prints_everything():
    done = run("study", "--full", LOOP)
    assert done.exit_code == 1 and done.stdout.startswith("NOT READY: ")
    for part in (
        "[frame 141, 1.000 s, ",
        "1) now: Look for two cables",
        "5) now: Run the line check again.",
        "PASS vlan-tags: ",
        "Devices (8 heard):",
    ):
        assert part in done.stdout
    assert done.stdout.count("Mute the PA") == 1


def test_what_was_written_is_said(tmp_path):
    files = [str(tmp_path / name) for name in ("a.json", "b.html", "c.json")]
    options = ("--json", files[0], "--report", files[1], "--save-result", files[2])
    done = run("study", LOOP, *options)
    assert all(file in done.stderr for file in files) and done.stderr.count("\n") == 1
    assert run("study", LOOP, "--json").stderr == ""


@pytest.mark.parametrize("option", ["--json", "--report", "--save-result", "--evidence"])
def test_nothing_is_overwritten_unasked(tmp_path, option):
    name = tmp_path / {"--report": "x.html", "--evidence": "x"}.get(option, "x.json")
    kept = name / "loop.pcapng" if option == "--evidence" else name
    kept.parent.mkdir(exist_ok=True)
    kept.write_text("mine", encoding="utf-8")
    done = run("study", LOOP, option, str(name))
    assert done.exit_code == 2 and "is there already" in done.stderr and done.stdout == ""
    assert kept.read_text(encoding="utf-8") == "mine"
    assert run("study", LOOP, "--overwrite", option, str(name)).exit_code == 1
    assert kept.read_bytes() != b"mine"


def test_two_names_of_adapters_are_one_too_many():
    done = run("linecheck", "eth7", "--adapter", "eth8")
    assert done.exit_code == 2 and "two adapters are named" in done.stderr
    assert "there is no adapter 'no-such0'" in run("linecheck", "no-such0").stderr


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the loopback adapter is called lo on Linux")
def test_the_adapter_and_why_it_was_taken_come_first():
    done = run("linecheck", "lo", "--listen", "100ms")
    assert done.exit_code in (0, 1, 3) and done.stdout
    assert done.stderr.splitlines()[0].startswith("lo, as you named it: it reaches this computer only")


def test_whoever_reads_only_the_beginning_is_told_nothing_and_no_verdict() -> None:
    command = [sys.executable, "-m", "preflight", "rehearse", "--all"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None and running.stderr is not None
        assert running.stdout.readline()
        running.stdout.close()
        assert running.stderr.read() == b""
    assert running.returncode == 141  # 128 + SIGPIPE
