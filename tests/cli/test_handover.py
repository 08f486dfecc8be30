"""`preflight handover` as its user has it: the zip, what is asked, what is said."""

import json
import re
import unicodedata
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from scapy.utils import PcapReader

from preflight.anonymise.key import kept_key
from preflight.cli import main
from preflight.text import clean
from tests.anonymise.originals import CAPTURES, addresses, unpacked
from tests.report.pages import Opened
from tests.report.test_hostile_capture import CONTROL, capture  # noqa: F401 (a fixture)

LOOP, CLEAN = str(CAPTURES / "loop.pcap.gz"), str(CAPTURES / "wifi-bridge.pcap")


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, and another one for the key."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    return tmp_path / "work"


def run(*args: str) -> Result:
    return CliRunner().invoke(main, ["handover", *args])


def entries(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as file:
        assert file.testzip() is None
        return {name: file.read(name) for name in file.namelist()}


def test_the_zip_and_what_is_said_of_it(place):
    done = run(LOOP)
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("NOT READY. loop: ")
    (path,) = place.iterdir()  # and nothing beside it
    held = entries(path)
    assert list(held) == [
        "README.txt", "capture.pcapng", "computer.json", "evidence/loop.pcapng", "evidence/multicast-storm.pcapng",
        "report.html", "result.json", "versions.json",
    ]  # fmt: skip
    for name in held:
        assert name in done.stdout
    assert json.loads(held["result.json"])["verdict"] == "not ready"
    assert "same verdict" in held["README.txt"].decode()
    assert json.loads(held["versions.json"])["python"]
    study = CliRunner().invoke(main, ["study", "--json", LOOP])
    (place / "sent.pcapng").write_bytes(held["capture.pcapng"])
    sent = CliRunner().invoke(main, ["study", "--json", str(place / "sent.pcapng")])
    outcomes = [
        [(f["check"], f["outcome"], f["fix_first"]) for f in json.loads(one.stdout)["findings"]]
        for one in (study, sent)
    ]
    assert outcomes[0] == outcomes[1]


def test_the_key_is_not_in_it_and_the_next_one_is_alike(place):
    run(CLEAN, "--output", "one.zip")
    run(CLEAN, "--output", "two.zip")
    one, two = entries(place / "one.zip"), entries(place / "two.zip")
    del one["computer.json"], two["computer.json"]  # its counters go on
    assert one == two
    (file,) = (place.parent / "data").rglob("*.key")
    key = file.read_bytes()
    words = [word.tobytes() for word in kept_key()[0]]
    assert not {
        name for name, data in one.items() if any(part in data for part in (key, key.hex().encode(), *words))
    }


def test_several_captures_get_a_folder_each(place):
    done = run(LOOP, CLEAN)
    held = entries(place / "handover.zip")
    assert done.exit_code == 0 and {"1/capture.pcapng", "2/report.html", "computer.json"} <= held.keys()


def test_a_long_capture_goes_in_up_to_the_limit(place):
    done = run(LOOP, "--capture-limit", "300kB")
    held = entries(place / "handover.zip")
    assert done.exit_code == 0 and len(held["capture.pcapng"]) <= 300_000
    assert "it has reached its limit" in held["README.txt"].decode()
    assert json.loads(held["result.json"])["source"]["frames"] == 6000


def test_where_nobody_can_be_asked_it_is_left_out(place):
    (place / "rig.toml").write_text('name = "The Salt Road Revue"\n', encoding="utf-8")
    done = run(CLEAN, "--note", "ask Vera Lindqvist", "--sheet", "rig.toml")
    held = entries(place / "handover.zip")
    assert done.exit_code == 0 and "Left out: the sender's note" in done.stdout
    assert not {name for name, data in held.items() if b"Vera" in data or b"Salt Road" in data}
    done = run(CLEAN, "--note", "ask Vera Lindqvist", "--sheet", "rig.toml", "--yes")
    held = entries(place / "handover.zip")
    assert held["note.txt"] == b"ask Vera Lindqvist\n" and b"Salt Road" in held["rig.toml"]


def test_names_stay_only_where_that_is_agreed_to(place):
    done = run(CLEAN, "--no-anonymise")
    assert done.exit_code == 2 and "--yes" in done.stderr and not list(place.iterdir())
    done = run(CLEAN, "--no-anonymise", "--yes")
    held = entries(place / "handover.zip")
    assert done.exit_code == 0 and "NOTHING is anonymised" in done.stdout
    assert "NOTHING IS ANONYMISED" in held["README.txt"].decode()
    assert all(each in held["capture.pcapng"] for each in addresses(unpacked(Path(CLEAN))) if len(each) == 6)


@pytest.mark.parametrize(
    "args",
    [
        ["missing.pcap"],
        ["-"],
        [LOOP, "--adapter", "x"],
        [LOOP, "--output", "show.pcap"],
        [LOOP, "--output", "no/such/folder.zip"],
    ],
)
def test_errors_are_one_line_and_leave_nothing(args, place):
    done = run(*args)
    assert done.exit_code == 2 and done.stderr.count("\n") == 1, done.stderr
    assert not list(place.iterdir())


def test_hostile_names_reach_nothing(capture, place):  # noqa: F811
    done = run(str(capture), "--yes", "--note", "first\x1b[2J\nsecond")
    assert done.exit_code == 0, done.output
    held = entries(place / "handover.zip")
    for text in (done.stdout, done.stderr, *(held[n].decode() for n in held if not n.endswith(".pcapng"))):
        assert not {c for c in text if c != "\n" and unicodedata.category(c) in CONTROL}
    assert not {name for name, data in held.items() if b"onerror" in data or b"alert(" in data}
    assert held["note.txt"] == f"{clean(chr(27))}".join(["first", "[2J\nsecond\n"]).encode()
    (place / "sent.pcapng").write_bytes(held["capture.pcapng"])
    with PcapReader(str(place / "sent.pcapng")) as packets:
        assert len(list(packets)) == 4


def test_the_page_sent_obeys_no_name(browser, capture, place):  # noqa: F811
    assert run(str(capture), "--yes").exit_code == 0
    (place / "report.html").write_bytes(entries(place / "handover.zip")["report.html"])
    opened = Opened(browser, place / "report.html")
    opened.page.wait_for_timeout(200)
    assert opened.did == []
    assert re.search("not ready", opened.page.inner_text("body"), re.IGNORECASE)
    assert opened.page.locator("img, i").count() == 0
