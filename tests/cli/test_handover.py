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
        "report.html", "result.json", "saved.json", "versions.json",
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


def test_the_device_in_the_report_is_turned_back_into_the_real_one(place):
    """Every culprit, device and clock of what was sent leads back to one of the original."""
    stray = str(CAPTURES / "stray-dhcp.pcapng")
    assert run(stray).exit_code == 0
    held = entries(place / "handover.zip")
    (sent,) = (f for f in json.loads(held["result.json"])["findings"] if f["check"] == "stray-dhcp")
    told = run("--who", sent["culprits"][0].upper().replace(":", "-"))
    assert told.exit_code == 0
    said = " ".join(told.stdout.split())
    assert "is 00:00:5e:00:53:42 (192.0.2.66)" in said
    assert f"in {place / 'handover.zip'}, made 20" in said and f"Look it up in {stray}" in said
    heard = json.loads(held["saved.json"])["heard"]
    real = json.loads(
        CliRunner().invoke(main, ["study", stray, "--save-result", "real.json"])
        and Path("real.json").read_text(encoding="utf-8")
    )
    back = {
        re.search(r" is (\S+)", run("--who", device["hardware"]).stdout)[1] for device in heard["devices"]
    }
    assert back == {device["hardware"] for device in real["heard"]["devices"]}
    back = {
        re.search(r" is (\S+)", run("--who", clock["grandmaster"]).stdout)[1] for clock in heard["clocks"]
    }
    assert back == {clock["grandmaster"] for clock in real["heard"]["clocks"]}
    names = {name for device in heard["devices"] for name in device["names"]}
    assert names and all(run("--who", name.removesuffix(".local")).exit_code == 0 for name in names)


def test_what_leads_back_is_kept_for_the_user_alone_and_goes_into_no_zip(place):
    run(str(CAPTURES / "stray-dhcp.pcapng"))
    folder = next((place.parent / "data").rglob("handovers"))
    (table,) = folder.iterdir()
    assert (folder.stat().st_mode & 0o777, table.stat().st_mode & 0o777) == (0o700, 0o600)
    originals = [old for old in json.loads(table.read_text())["originals"].values() if ":" in old]
    # The computer's own adapters stand in its table too.
    assert originals
    for name, data in entries(place / "handover.zip").items():
        assert not [old for old in originals if old.encode() in data], name


def test_what_no_zip_has_is_told_in_one_line():
    done = run("--who", "00:00:5e:00:53:01\x1b[2J")
    assert done.exit_code == 2 and done.stderr.count("\n") == 1 and "\x1b" not in done.stderr
    assert "no zip that was made on this computer" in done.stderr
    assert run("--who", "desk", LOOP).exit_code == 2


def test_nothing_is_kept_of_a_zip_that_replaces_nothing(place):
    assert run(CLEAN, "--no-anonymise", "--yes").exit_code == 0
    assert not list((place.parent / "data").rglob("handovers"))


def test_where_it_cannot_be_kept_the_zip_is_made_all_the_same(place):
    (place.parent / "data" / "preflight").mkdir(parents=True)
    (place.parent / "data" / "preflight" / "handovers").write_text("in the way")
    done = run(CLEAN)
    assert (
        done.exit_code == 0
        and "--who will not know this zip" in done.stderr
        and (place / "handover.zip").exists()
    )


def test_the_rate_that_the_capture_tells_is_judged_by_in_the_zip_too(place):
    from preflight.frames.capture import CaptureFile
    from preflight.frames.pcapng import Saver

    saver = Saver("slow.pcapng", "eth0", 1 << 30, 100)
    for batch in CaptureFile(str(CAPTURES / "link-load.pcap.zst")).batches():
        saver.add(batch)
        if batch.first > 10_000:  # too much for 100 Mb/s, and not for 1000
            break
    saver.close(0)
    done = run("slow.pcapng")
    held = entries(place / "handover.zip")
    source = json.loads(held["result.json"])["source"]
    assert (source["link_mbps"], source["link_assumed"]) == (100, False)
    assert "same verdict" in held["README.txt"].decode(), done.output
