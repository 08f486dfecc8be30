"""`preflight study` with many captures: the screen, the table, the pages, what joins, what ends in one
line."""

import codecs
import csv
import gzip
import io
import json
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator

from preflight.cli import main
from preflight.inbox import pool
from preflight.report.schema import schema
from tests.anonymise.originals import unpacked
from tests.cli.warm import forked
from tests.frames.made import FRAME, Pcap, Pcapng
from tests.pipes import PATIENCE_S, drained
from tests.report.pages import Opened

CAPTURES = Path(__file__).parents[2] / "captures"
LOOP, CLEAN, UNSURE = (
    str(CAPTURES / name) for name in ("loop.pcap.gz", "no-dhcp.pcap", "poor-capture.pcap.gz")
)
PREFLIGHT = [sys.executable, "-m", "preflight"]
HOSTILE = "=cmd|'x'!a\x1b[2J\u202egnp<script>alert(1)<script>, \"b\".pcap"
T = 1_795_600_000


@pytest.fixture(autouse=True)
def _loaded_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """What `run` judges on all cores; processes of the command's own begin theirs anew."""
    monkeypatch.setattr(pool, "get_context", forked)


def run(*args: str) -> Result:
    return CliRunner().invoke(main, ["study", *args])


@pytest.fixture
def sent(tmp_path: Path) -> Path:
    """A folder as a customer sends it."""
    folder = tmp_path / "sent"
    folder.mkdir()
    for name in (LOOP, CLEAN, UNSURE):
        shutil.copy(name, folder)
    shutil.copy(CLEAN, folder / HOSTILE)
    (folder / "broken.pcap").write_bytes(b"no capture at all, only words")
    (folder / "notes.txt").write_bytes(b"it clicked at 20:14")
    return folder


def test_many_are_one_screen_in_their_order(sent):
    done = run(str(sent))
    assert done.exit_code == 2, done.output  # of the worst
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines[:6]] == [
        "VERDICT",
        "READY",
        "UNREADABLE",
        "NOT",
        "READY",
        "CAUTIONS",
    ]
    assert re.search(r"NOT READY +loop.pcap.gz +loop +2026-11-25 13:03:51 +6 000 +1.0 s$", lines[3])
    said = " ".join(done.stdout.split())
    assert "broken.pcap: offset 0: is not a pcap" in said
    assert "5 captures, 16 924 frames: 1 not ready, 1 ready with cautions, 2 ready, 1 not readable." in said
    assert "Passed over: 1 other file" in done.stdout
    assert done.stderr == "" and "\x1b" not in done.stdout and "\u202e" not in done.stdout


@pytest.mark.parametrize(
    ("files", "strict", "status"),
    [
        ((CLEAN, CLEAN), [], 0),
        ((CLEAN, UNSURE), [], 0),
        ((CLEAN, UNSURE), ["--strict"], 1),
        ((CLEAN, LOOP), [], 1),
    ],
)
def test_the_exit_status_is_that_of_the_worst(files, strict, status):
    assert run(*files, *strict).exit_code == status


def test_a_folder_or_archive_with_one_capture_tells_it_in_full(tmp_path):
    shutil.copy(LOOP, tmp_path / "a.pcap.gz")
    done = run(str(tmp_path), "--report", str(tmp_path / "page.html"), "--evidence", str(tmp_path / "e"))
    assert (
        done.exit_code == 1 and done.stdout.startswith("NOT READY ==") and "\na.pcap.gz: 6 000" in done.stdout
    )
    assert (tmp_path / "page.html").exists() and (tmp_path / "e" / "loop.pcapng").exists()


def test_a_handover_zip_gives_what_is_said_in_it(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    zips = [str(tmp_path / name) for name in ("one.zip", "two.zip")]
    for file, captures in zip(zips, ([LOOP], [LOOP, CLEAN]), strict=True):
        made = CliRunner().invoke(main, ["handover", *captures, "--output", file])
        assert made.exit_code == 0, made.output
    with zipfile.ZipFile(zips[0]) as file:
        inside = json.loads(file.read("result.json"))
    studied = json.loads(run("--json", zips[0]).stdout)
    assert studied["findings"] == inside["findings"]
    assert studied["source"]["name"] == f"{zips[0]}: capture.pcapng"
    lines = run("--json", zips[1]).stdout.splitlines()
    assert [json.loads(line)["verdict"] for line in lines] == ["not ready", "ready"]
    compared = CliRunner().invoke(main, ["compare", zips[0], zips[0]])
    assert compared.exit_code == 0 and compared.stdout.startswith("ALIKE")
    several = CliRunner().invoke(main, ["compare", zips[0], zips[1]])
    assert several.exit_code == 2 and "holds 2 results: 1/saved.json, 2/saved.json" in several.stderr


def test_every_json_line_keeps_the_schema_and_refused_ones_are_among_them(sent, tmp_path):
    out = tmp_path / "out.json"
    assert run(str(sent), f"--json={out}").exit_code == 2
    check = Draft202012Validator(json.loads(schema()))
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    for line in lines:
        check.validate(line)
    assert [line["verdict"] for line in lines] == [
        "ready",
        "unreadable",
        "not ready",
        "ready",
        "ready with cautions",
    ]
    one = json.loads(run("--json", str(sent / "broken.pcap")).stdout)
    check.validate(one)
    assert "is not a pcap" in one["refused"]


def test_an_older_file_is_replaced_whole_or_not_at_all(tmp_path):
    out = tmp_path / "out.json"
    out.write_text("older")
    refused = run(CLEAN, f"--json={out}")
    assert refused.exit_code == 2 and "is there already" in refused.stderr and out.read_text() == "older"
    assert run(str(tmp_path / "gone.pcap"), f"--json={out}", "--overwrite").exit_code == 2
    assert json.loads(out.read_text())["verdict"] == "unreadable"
    (tmp_path / "link.json").symlink_to(out)
    run(CLEAN, f"--json={tmp_path / 'link.json'}", "--overwrite")
    assert json.loads(out.read_text())["verdict"] == "ready" and (tmp_path / "link.json").is_symlink()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["link.json", "out.json"]  # nothing beside it


def test_json_to_what_is_no_file():
    done = subprocess.run([*PREFLIGHT, "study", CLEAN, "--json=/dev/stderr"], capture_output=True, text=True)
    assert done.returncode == 0 and '"verdict": "ready"' in done.stderr


def test_the_table_for_spreadsheets(sent, tmp_path):
    out = tmp_path / "out.csv"
    run(str(sent), "--csv", str(out))
    raw = out.read_bytes()
    assert raw.startswith(codecs.BOM_UTF8) and raw.count(b"\n") == raw.count(b"\r\n") == 6
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
    by_name = {Path(row["file"]).name: row for row in rows}
    assert by_name["loop.pcap.gz"]["first to mend"] == "loop"
    assert by_name["loop.pcap.gz"]["begins"] == "2026-11-25T13:03:51.523282Z"
    assert "is not a pcap" in by_name["broken.pcap"]["not read because"]
    assert all(cell.isprintable() for row in rows for cell in row.values())


def test_no_cell_is_a_formula(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("=1+1.pcap", "+1.pcap", "@a.pcap", "-1.pcap"):
        shutil.copy(CLEAN, name)
    run("--csv", "out.csv", "--", "=1+1.pcap", "+1.pcap", "@a.pcap", "-1.pcap")
    rows = list(csv.reader(io.StringIO(Path("out.csv").read_text(encoding="utf-8-sig"), newline="")))
    assert [row[0] for row in rows[1:]] == ["'=1+1.pcap", "'+1.pcap", "'@a.pcap", "'-1.pcap"]


def test_pages_with_an_index_that_filters(browser, sent, tmp_path):
    folder = tmp_path / "pages"
    assert run(str(sent), "--report", str(folder)).exit_code == 2
    again = run(str(sent), "--report", str(folder))
    assert again.exit_code == 2 and "index.html is there already" in again.stderr
    names = sorted(each.name for each in folder.iterdir())
    assert len(names) == 5 and names[-1] == "index.html" and "003-loop-pcap-gz.html" in names
    opened = Opened(browser, folder / "index.html")
    page = opened.page
    rows = page.locator("tbody tr")
    assert rows.count() == 5 and page.locator("tbody tr:visible").count() == 5
    page.select_option("#verdict", "not ready")
    assert page.locator("tbody tr:visible").count() == 1
    assert page.locator("#shown").inner_text() == "1 of 5 shown"
    page.select_option("#verdict", "")
    page.select_option("#check", "capture-quality")
    assert "poor-capture" in page.locator("tbody tr:visible").inner_text()
    page.select_option("#check", "")
    page.fill("#name", "GNP")
    assert page.locator("tbody tr:visible").count() == 1
    page.fill("#name", "")
    assert opened.did == []
    page.click("text=loop.pcap.gz")
    assert page.locator("h1 .verdict").inner_text() == "NOT READY"


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--report", "page.html"], "--report DIR"),
        (["--save-result", "r.json"], "the result of one capture"),
        (["--evidence", "e"], "one capture"),
        (["--csv", "out.txt"], "does not end in .csv"),
        (["--full"], "of one capture"),
        (["--csv", "SENT/a.csv"], "would write over the capture"),
        (["--json=SENT/a.csv"], "would write over the capture"),
        (["--report", "SENT/a.csv"], "does not end in .html"),
    ],
)
def test_what_does_not_go_together_is_one_line(sent, args, said):
    shutil.copy(CLEAN, sent / "a.csv")  # a capture, whatever its name
    before = (sent / "a.csv").read_bytes()
    done = run(str(sent), *(arg.replace("SENT", str(sent)) for arg in args))
    assert done.exit_code == 2 and done.stdout == ""
    assert said in done.stderr and done.stderr.count("\n") == 1
    assert (sent / "a.csv").read_bytes() == before


def test_standard_input_may_be_among_them():
    with Path(CLEAN).open("rb") as capture:
        done = subprocess.run(
            [*PREFLIGHT, "study", LOOP, "-", LOOP], stdin=capture, capture_output=True, text=True
        )
    verdicts = [line.split("  ")[0] for line in done.stdout.splitlines()[1:4]]
    assert (done.returncode, verdicts) == (1, ["NOT READY", "READY", "NOT READY"]), done


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
def test_ctrl_c_ends_it_with_what_was_judged(tmp_path):
    """A pipe that never ends stands second: the first is judged, the rest is not begun."""
    os.mkfifo(tmp_path / "pipe")
    writer = os.open(tmp_path / "pipe", os.O_RDWR)
    os.write(writer, Pcap().header() + Pcap().record(T, 0, FRAME))
    with subprocess.Popen(
        [*PREFLIGHT, "study", "--json", CLEAN, str(tmp_path / "pipe")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    ) as running:  # fmt: skip
        assert running.stdout is not None
        first = running.stdout.readline()  # as soon as it is judged
        drained(writer)  # the second is being read
        os.killpg(running.pid, signal.SIGINT)
        rest, errors = running.communicate(timeout=PATIENCE_S)
    os.close(writer)
    assert json.loads(first)["verdict"] == "ready"
    assert b"Traceback" not in errors, errors
    lines = [json.loads(line) for line in rest.splitlines()]
    assert lines == [] or lines[0]["source"]["partial"]
    assert running.returncode in (3, 130), (rest, errors)


# Captures in pieces


def pieces(folder: Path, source: str, count: int, pack: bool = False) -> list[Path]:
    """A pcap cut at its records, as a ring buffer writes it."""
    raw = unpacked(Path(source))
    ends, at = [24], 24
    while at < len(raw):
        at += 16 + struct.unpack("<I", raw[at + 8 : at + 12])[0]
        ends.append(at)
    cuts = [ends[len(ends) * n // count] for n in range(count)] + [ends[-1]]
    made = []
    for number in range(count):
        content = raw[:24] + raw[max(cuts[number], 24) : cuts[number + 1]]
        made.append(folder / f"ring_{number + 8:05}.pcap")
        made[-1].write_bytes(gzip.compress(content) if pack else content)
    return made


def facts_of(result: dict) -> list:
    return [(f["check"], f["outcome"], f["headline"], f["measured"]) for f in result["findings"]]


@pytest.mark.parametrize(
    "name", ["loop.pcap.gz", "stream-loss.pcap.gz", "missing-beats.pcap.gz", "no-dhcp.pcap"]
)
@pytest.mark.parametrize("pack", [False, True])
def test_a_ring_joined_is_judged_as_the_whole(tmp_path, name, pack):
    files = pieces(tmp_path, str(CAPTURES / name), 4, pack)
    whole = json.loads(run("--json", str(CAPTURES / name)).stdout)
    ring = json.loads(run("--json", "--join", *map(str, reversed(files))).stdout)
    assert facts_of(ring) == facts_of(whole)
    assert [piece["file"] for piece in ring["source"]["pieces"]] == [file.name for file in files]
    starts = {piece["file"]: piece["first_frame"] for piece in ring["source"]["pieces"]}
    for one, other in zip(ring["findings"], whole["findings"], strict=True):
        for seen, before in zip(one["evidence"], other["evidence"], strict=True):
            if before["frame"] is not None:
                assert seen["frame"] + starts[seen["file"]] - 1 == before["frame"]


def test_a_ring_is_offered_to_be_joined_and_its_frames_are_told_by_file_and_number(tmp_path):
    ring = tmp_path / "ring"
    ring.mkdir()
    pieces(ring, LOOP, 3)
    done = run(str(ring))
    assert "3 captures follow one another" in done.stdout and "--join" in done.stdout
    joined = run(
        str(ring), "--join", "--evidence", str(tmp_path / "e"), "--report", str(tmp_path / "page.html")
    )
    said = " ".join(joined.stdout.split())
    assert "ring_00008.pcap and 2 more: 6 000 frames in 1.0 s, in 3 files, " in said
    assert re.search(r"\[frame \d+ of ring_00008\.pcap, ", said)
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "ring_00008.pcap, 0." in page and "3 that follow one another" in page
    assert b"ring_00008.pcap" in (tmp_path / "e" / "loop.pcapng").read_bytes()


def test_what_does_not_follow_is_judged_by_itself_and_told(tmp_path):
    files = pieces(tmp_path, LOOP, 3)
    done = run("--join", *map(str, files), CLEAN)
    assert [line.split("  ")[0] for line in done.stdout.splitlines()[1:3]] == ["NOT READY", "READY"]
    assert "no-dhcp.pcap follows none of the others" in done.stdout


def test_several_captures_of_one_night_are_not_offered_to_be_joined():
    assert "--join" not in run(str(CAPTURES)).stdout


# A pcapng's own words


def test_the_words_of_the_file_stand_on_screen_and_page_and_names_go_to_devices(tmp_path):
    ng = Pcapng()
    about = ng.option(2, b"eth0") + ng.option(11, b"\0udp port 5004") + ng.option(8, struct.pack("<Q", 10**8))
    content = ng.section() + ng.block(1, struct.pack("<HHI", 1, 0, 0) + about)
    content += ng.block(4, ng.option(1, bytes([192, 0, 2, 1]) + b"stage-left\0"))
    for number in range(6):
        content += ng.packet(0, T * 10**6 + number, FRAME, options=ng.option(1, b"click %d <b>" % number))
    (tmp_path / "a.pcapng").write_bytes(content)
    first = run(str(tmp_path / "a.pcapng"), "--report", str(tmp_path / "page.html"))
    assert "Filter   udp port 5004: nothing else was captured" in first.stdout
    said = " ".join(run(str(tmp_path / "a.pcapng"), "--full").stdout.split())
    assert "Captured with a filter: udp port 5004. Nothing else is in it." in said
    assert (
        "The file says: frame 3: click 2 <b>" in said and "click 3" not in said and "It says more (3)" in said
    )
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    for words in (
        "eth0",
        "100 Mb/s",
        "udp port 5004",
        "click 5 &lt;b&gt;",
        "stage-left <code>00:00:5e:00:53:01",
    ):
        assert words in page, words


def test_a_ring_in_an_archive_is_joined_too_and_may_be_cut_in_a_piece(tmp_path):
    files = pieces(tmp_path, LOOP, 3)
    files[1].write_bytes(files[1].read_bytes()[:-30])  # its writer was killed
    with zipfile.ZipFile(tmp_path / "ring.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for file in files:
            archive.write(file, f"ring/{file.name}")
    result = json.loads(run("--json", "--join", str(tmp_path / "ring.zip")).stdout)
    assert result["source"]["frames"] == 5999 and len(result["source"]["pieces"]) == 3
    assert re.fullmatch(
        r"\S+: ring/ring_00009\.pcap: offset \d+: the last record is cut short",
        result["source"]["ended_early"],
    )
    assert result["verdict"] == "not ready"
