"""Finding cases, the likest, notes, the whole of one: as a support technician asks, by the command line."""

import csv
import json
import random

import numpy as np
import pytest
from click.testing import CliRunner

from preflight.anonymise.cover import Cover
from preflight.archive.find import Wanted, find
from preflight.archive.library import Library
from preflight.archive.like import like
from preflight.archive.store import Store
from preflight.cli import main
from preflight.facts import Facts
from preflight.handover import cover_for, part, read
from tests.archive.made import CAPTURES, bundled, judged, varied


def run(*args: str, code: int = 0):
    done = CliRunner().invoke(main, ["archive", *args])
    assert done.exit_code == code, done.output
    return done


def names(store: Store, **wanted) -> set[str]:
    with Library(store) as library:
        return {row["name"].partition(".")[0] for row in find(library, Wanted(**wanted))}


def test_all_cases_the_newest_first(small):
    with Library(small) as library:
        found = find(library, Wanted())
    assert len(found) == len(bundled())
    times = [row["first_frame_at"] for row in found]
    assert times == sorted(times, reverse=True)


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({"check": "loop"}, {"loop"}),
        ({"check": "stray-dhcp", "outcome": "fail"}, {"stray-dhcp"}),
        ({"check": "stray-dhcp", "outcome": "pass"}, None),
        ({"words": ("goes", "round", "nowhere")}, set()),
        ({"words": ("There is a LOOP",)}, {"loop"}),
        ({"words": ("wifi-bridge.pcap",)}, {"wifi-bridge"}),
        ({"maker": "no such maker"}, set()),
        ({"check": "loop", "words": ("box-right",)}, {"loop"}),
        ({"check": "loop", "device": "box-right"}, {"loop"}),
        ({"check": "loop", "device": "00:00:5e:00:53:20"}, {"loop"}),
        ({"check": "loop", "device": "192.0.2.32"}, {"loop"}),
        ({"check": "loop", "device": "192.0.2.3"}, set()),
        ({"check": "loop", "maker": "iana"}, {"loop"}),
    ],
)
def test_by_what_was_found_and_who_was_heard(small, wanted, found):
    got = names(small, **wanted)
    if found is None:  # those in which it passed, and not the one in which it failed
        assert got and "stray-dhcp" not in got and "loop" not in got
    else:
        assert got == found


def test_by_time(small):
    with Library(small) as library:
        times = {row["name"]: row["first_frame_at"] for row in find(library, Wanted())}
        middle = sorted(times.values())[len(times) // 2]
        later = {row["name"] for row in find(library, Wanted(since=middle))}
        sooner = {row["name"] for row in find(library, Wanted(until=middle))}
    assert later == {name for name, at in times.items() if at >= middle}
    assert later | sooner == set(times) and not later & sooner


def test_the_headline_is_that_of_what_was_asked_for(small):
    with Library(small) as library:
        (loop,) = find(library, Wanted(words=("loop.pcap.gz",), check="multicast-storm"))
        (first,) = find(library, Wanted(words=("loop.pcap.gz",), check=None))
    assert loop["check"] == "multicast-storm" and first["check"] == "loop"


def test_unreadable_captures_are_found_with_the_reason(small, tmp_path):
    bad = tmp_path / "bad.pcap"
    bad.write_text("only words, and no capture")
    small.add(judged([bad])[0])
    shown = run("find", "--outcome", "unreadable", "--archive", small.root).stdout
    assert "bad.pcap" in shown and "1 case." in shown and "UNREADABLE" in shown


def test_csv_and_json_have_all_and_no_formula(small, tmp_path, models):
    rows = varied(models[0], random.Random(1), 1)
    rows["captures"][0]["name"] = "=cmd.pcap"
    small.add(rows)
    file = tmp_path / "out.csv"
    done = run("find", "--archive", small.root, "--csv", str(file), "--json")
    told = json.loads(done.stdout)
    assert told["schema"] == 1 and len(told["cases"]) == len(bundled()) + 1
    with file.open(encoding="utf-8-sig", newline="") as text:
        written = list(csv.DictReader(text))
    assert len(written) == len(told["cases"])
    assert "'=cmd.pcap" in {row["name"] for row in written}
    assert {row["case"] for row in written} == {row["case"] for row in told["cases"]}


def two_clocks(store: Store) -> str:
    with Library(store) as library:
        return library.case("two-clocks.pcap.gz")


def like_case(store: Store, capture: str) -> list[dict]:
    with Library(store) as library:
        return like(library, 5, capture)


# -- like ----------------------------------------------------------------------------------------------------


def test_the_likest_share_what_is_rare_and_tell_what_mended_them(small, models, tmp_path):
    others = [
        varied(model, random.Random(number), number)
        for number, model in enumerate(models * 6)
        if model["captures"][0]["name"] != "loop.pcap.gz"
    ]
    for rows in others:
        small.add(rows)
    (twin,) = [
        varied(m, random.Random(7), 10**6) for m in models if m["captures"][0]["name"] == "loop.pcap.gz"
    ]
    for row in twin["findings"]:
        if row["check"] == "loop":
            row |= {"outcome": "fail", "fix_first": 1}
    small.add(twin)
    capture = twin["captures"][0]["capture"]
    run("note", capture[:10], "Two cables between the racks.", "--who", "Kim", "--archive", small.root)
    before = len(small.segments())
    # A file that is not in the archive: the loop once more, with other bytes.
    file = tmp_path / "new.pcap.gz"
    file.write_bytes(
        (CAPTURES / "loop.pcap.gz").read_bytes() + b"\x1f\x8b\x08\0\0\0\0\0\0\xff\x03\0" + bytes(8)
    )
    told = json.loads(run("like", str(file), "--archive", small.root, "--json").stdout)["like"]
    assert told[0]["name"] == "loop.pcap.gz" and told[0]["likeness"] > 0.99
    assert told[1]["capture"] == capture and told[1]["notes"] == ["Two cables between the racks."]
    assert told[1]["shared"][0] == "loop is to be mended by itself (fail)"
    assert told[1]["likeness"] > 0.5 > told[2]["likeness"]
    assert len(small.segments()) == before  # asking adds nothing
    # The very same capture, from somebody else once more.
    same = json.loads(
        run("like", str(CAPTURES / "two-clocks.pcap.gz"), "--archive", small.root, "--json").stdout
    )
    assert (same["like"][0]["name"], same["like"][0]["likeness"]) == (
        "two-clocks.pcap.gz",
        pytest.approx(1.0),
    )
    assert two_clocks(small) not in {row["capture"] for row in like_case(small, two_clocks(small))}
    shown = run("like", str(file), "--archive", small.root).stdout
    assert "In the end: Two cables between the racks." in shown
    assert "Both: loop is to be mended by itself (fail)" in shown


def test_one_that_nothing_is_like_is_told_as_new(small):
    shown = run("like", "missing-beats.pcap.gz", "--archive", small.root).stdout
    assert "has not been seen before" in " ".join(shown.split())


def test_what_is_like_a_faulty_one_has_one_of_its_faults(small):
    with Library(small) as library:
        mine = library.case("stream-loss.pcap.gz")
        troubles = {
            row["check"]
            for row in library.ask(
                "select * from findings where capture = ? and outcome in ('fail', 'caution')", [mine]
            )
        }
        for row in like(library, 100, mine):
            theirs = library.ask(
                "select \"check\" from findings where capture = ? and outcome in ('fail', 'caution')",
                [row["capture"]],
            )
            assert troubles & {each["check"] for each in theirs}


def test_a_healthy_capture_is_like_healthy_ones_too(small):
    with Library(small) as library:
        found = like(library, 3, library.case("clean-mirror.pcapng.gz"))
    assert found[0]["name"] == "clean-rig.pcap.gz" or found[0]["likeness"] > 0.1


@pytest.mark.parametrize(
    "name", ["loop.pcap.gz", "stray-dhcp.pcapng", "two-clocks.pcap.gz", "stream-loss.pcap.gz"]
)
def test_an_anonymised_capture_is_as_good_as_the_original(small, tmp_path, name):
    original = read(str(CAPTURES / name), Facts())
    cover: Cover = cover_for([original], np.array([123456789, 987654321], np.int64))
    made = part(original, Facts(), cover, tmp_path / "part", 10**9, lambda *_: None)
    assert made.capture is not None
    (rows,) = judged([made.capture])
    with Library(small) as library:
        mine = {row["check"]: row["outcome"] for row in rows["findings"]}
        theirs = library.ask("select * from findings where capture = ?", [library.case(name)])
        assert mine == {row["check"]: row["outcome"] for row in theirs}
        (first, *_) = like(library, 1, str(rows["captures"][0]["capture"]), rows)
    assert first["name"] == name and first["likeness"] > 0.99


# -- one case ------------------------------------------------------------------------------------------------


def test_a_case_is_shown_whole(small):
    run("note", "loop.pcap.gz", "It was\nthe second cable.", "--who", "Kim", "--archive", small.root)
    shown = run("show", "loop.pcap.gz", "--archive", small.root).stdout
    for words in (
        "NOT READY",
        "1. FAIL loop",
        "Take care: Mute",
        "from loop",
        "box-right.local",
        "Kim: It was the second cable.",
    ):
        assert words in shown.replace("\n ", " "), words
    told = json.loads(run("show", "loop.pcap.gz", "--archive", small.root, "--json").stdout)
    assert told["findings"][0]["check"] == "loop" and told["findings"][0]["evidence"][0]["frame"]


@pytest.mark.parametrize(
    ("named", "said"), [("nothing", "no such case"), ("", "no such case"), ("l", "no such case")]
)
def test_a_case_that_is_not_there_is_told(small, named, said):
    assert said in run("show", named, "--archive", small.root, code=2).stderr


def test_a_name_that_two_cases_have_is_told_with_their_numbers(small, models):
    rows = varied(models[0], random.Random(1), 5)
    rows["captures"][0]["name"] = models[0]["captures"][0]["name"]
    small.add(rows)
    name = str(models[0]["captures"][0]["name"])
    said = run("note", name, "which?", "--archive", small.root, code=2).stderr
    assert "several cases" in said and str(rows["captures"][0]["capture"])[:12] in said


def test_an_empty_note_is_refused(small):
    assert "empty" in run("note", "loop.pcap.gz", "  ", "--archive", small.root, code=2).stderr


def test_hostile_text_reaches_no_terminal(small, models):
    rows = varied(models[0], random.Random(1), 9)
    rows["captures"][0]["name"] = "\x1b[2J\u202egnp.pcap"
    rows["findings"][0] |= {"outcome": "fail", "headline": "\x1b]0;x\x07", "fix_first": 1}
    small.add(rows)
    capture = str(rows["captures"][0]["capture"])
    for command in (
        ("find",),
        ("show", capture),
        ("like", "loop.pcap.gz", "--most", "50"),
        ("find", "--json"),
    ):
        shown = run(*command, "--archive", small.root).stdout
        assert "\x1b" not in shown and "\u202e" not in shown
