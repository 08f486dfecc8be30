"""Adding: what is kept is what `study` says, again is free, and whatever is killed whenever, nothing is lost
or broken."""

import gzip
import itertools
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import dask.config
import psutil
import pytest
from distributed import Client, LocalCluster

from preflight.archive import ArchiveError
from preflight.archive.add import Added, add, look
from preflight.archive.cluster import ENDED, _parcels, cluster, judge_on
from preflight.archive.judge import Judged, completed, judge
from preflight.archive.library import Library
from preflight.archive.marks import PACKAGE, marks
from preflight.archive.place import Found, digest
from preflight.archive.store import Store
from preflight.archive.tidy import settle
from preflight.report.result import as_dict
from preflight.study import study
from preflight.text import plain
from preflight.verdict import judged
from tests.archive.copies import copies
from tests.archive.made import CAPTURES, bundled
from tests.inbox.test_find import marked, tarred, zipped
from tests.pipes import PATIENCE_S

LOOP, NO_DHCP = str(CAPTURES / "loop.pcap.gz"), str(CAPTURES / "no-dhcp.pcap")
LIMIT_S = 60.0
UNRULY = {"DASK_DISTRIBUTED__WORKER__PRELOAD": '["tests.archive.unruly"]'}  # for a command of its own


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    with (
        dask.config.set({"distributed.worker.preload": ["tests.archive.unruly"]}),
        cluster(None, 2) as client,
    ):
        yield client


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(str(tmp_path / "archive"))


def added(store: Store, client: Client, *places: str | Path, limit_s: float = LIMIT_S) -> Added:
    looked = look(store, [str(place) for place in places], limit_s)
    return add(store, looked, client, limit_s, lambda _captures, _bytes: None)


def cases(store: Store, columns: str = "*") -> list[dict]:
    with Library(store) as library:
        return library.ask(f"select {columns} from captures order by name, capture")


def lasting(captures: list[Path]) -> int:
    """How many; each takes its time from now on."""
    for path in captures:
        path.rename(path.with_name(f"lasting-{path.name}"))
    return len(captures)


def test_what_is_kept_is_what_study_says(store, client):
    done = added(store, client, CAPTURES)
    assert done.new == len(bundled()) and not done.unreadable and not done.troubles
    with Library(store) as library:
        for path in bundled():
            result = as_dict(judged(study(str(path))))
            (about,) = library.ask("select * from captures where name = ?", [path.name])
            assert about["verdict"] == result["verdict"]
            assert (about["frames"], about["vantage"]) == (
                result["source"]["frames"],
                result["source"]["vantage"],
            )
            findings = library.ask("select * from findings where capture = ?", [about["capture"]])
            for finding in result["findings"]:
                finding["fixes"] = [f"{step['when']}: {step['text']}" for step in finding.pop("steps")]
            kept = [
                {name: row[name] for name in result["findings"][0]}
                | {name: json.loads(row[name]) for name in ("evidence", "measured", "limits")}
                for row in findings
            ]
            by_check = lambda finding: finding["check"]  # noqa: E731
            assert sorted(kept, key=by_check) == sorted(plain(result["findings"]), key=by_check)  # type: ignore[arg-type]


def test_added_again_it_is_not_even_read(store, client, tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    shutil.copy(LOOP, folder / "a.pcap.gz")
    added(store, client, folder)
    again = look(store, [str(folder)], LIMIT_S)
    assert not again.wanted and again.known == 1
    # The same bytes elsewhere are read, and known.
    shutil.copy(LOOP, folder / "b.pcap.gz")
    assert added(store, client, folder).known == 1
    assert len(cases(store)) == 1
    with Library(store) as library:
        assert len(library.ask("select * from places")) == 2
    # Written anew, it is another one, however short the time.
    shutil.copy(NO_DHCP, folder / "a.pcap.gz")
    assert added(store, client, folder).new == 1


def test_what_is_no_capture_is_kept_with_the_reason(store, client, tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "words.pcap").write_text("no capture at all, only words")
    (folder / "empty.pcapng").touch()
    (folder / "notes.txt").write_text("left out by its name")
    done = added(store, client, folder)
    assert done.new == 2 and not done.troubles
    reasons = {row["name"]: row["unreadable"] for row in cases(store)}
    assert set(reasons) == {"words.pcap", "empty.pcapng"} and all(reasons.values())
    assert not any(str(tmp_path) in reason for reason in reasons.values())
    again = look(store, [str(folder)], LIMIT_S)
    assert again.others == 1 and not again.wanted


def test_captures_in_archives_are_cases_as_they_are_outside(store, client, tmp_path):
    loop, no_dhcp = Path(LOOP).read_bytes(), Path(NO_DHCP).read_bytes()
    folder = tmp_path / "in"
    folder.mkdir()
    inner = tarred({"deep/loop.pcap.gz": loop, "deep/notes.txt": b"words"})
    (folder / "sent.zip").write_bytes(zipped({"a: b/quiet.pcap": no_dhcp, "inner.tgz": gzip.compress(inner)}))
    (folder / "locked.zip").write_bytes(marked(zipped({"x.pcap": no_dhcp}), flag=1))
    looked = look(store, [str(folder)], LIMIT_S)
    assert len(looked.troubles) == 1 and "password" in looked.troubles[0] and looked.others == 1
    done = added(store, client, folder)
    assert (done.new, done.troubles, done.unreadable) == (2, [], [])
    with Library(store) as library:
        lying = {row["place"]: row["capture"] for row in library.ask("select * from places")}
    sent = folder / "sent.zip"
    assert lying == {
        f"{sent}: a: b/quiet.pcap": digest(NO_DHCP),
        f"{sent}: inner.tgz: deep/loop.pcap.gz": digest(LOOP),
    }
    assert [row["name"] for row in cases(store)] == ["loop.pcap.gz", "quiet.pcap"]
    # Again, outside, and looked at without a place.
    shutil.copy(LOOP, folder)
    assert not look(store, [str(sent)], LIMIT_S).wanted and not look(store, [], LIMIT_S).wanted
    done = added(store, client, folder)
    assert (done.new, done.known) == (0, 1)


def test_members_of_an_archive_are_judged_again_where_they_lie(store, client, tmp_path, monkeypatch):
    (tmp_path / "sent.zip").write_bytes(zipped({"quiet.pcap": Path(NO_DHCP).read_bytes()}))
    added(store, client, tmp_path / "sent.zip")
    monkeypatch.setattr("preflight.archive.add.marks", lambda: {**marks(), "loop": "changed"})
    looked = look(store, [], LIMIT_S)
    assert [(found.place, found.member) for found in looked.wanted] == [
        (str(tmp_path / "sent.zip"), "quiet.pcap")
    ]


def test_a_zip_that_claims_to_unpack_to_too_much_is_told(store, tmp_path):
    (tmp_path / "bomb.zip").write_bytes(zipped({"x.pcap": bytes(80 << 20)}))
    looked = look(store, [str(tmp_path)], LIMIT_S)
    assert not looked.wanted and len(looked.troubles) == 1 and "unpack" in looked.troubles[0]


def test_parcels_hold_everything_once_and_get_smaller_towards_the_end():
    found = [Found(str(n), 300_000 - n, "") for n in range(300)]
    found += [Found("a.tgz", 5, "", str(n), n, together=True) for n in range(40)]
    parcels = list(_parcels(found, 2))
    assert sorted(map(repr, itertools.chain(*parcels))) == sorted(map(repr, found))
    assert parcels[0][:40] == found[300:]  # unpacked once
    sizes = [len(parcel) for parcel in parcels[1:]]
    assert max(sizes) > 4 and sizes[-1] == 1 and sizes == sorted(sizes, reverse=True)


def test_a_place_that_is_not_there_costs_only_itself(store, tmp_path):
    looked = look(store, [str(tmp_path / "nowhere"), LOOP, "nothing://here"], LIMIT_S)
    assert [found.place for found in looked.wanted] == [LOOP] and len(looked.troubles) == 2


def test_a_file_that_goes_away_is_told_and_not_kept(store, client, tmp_path):
    shutil.copy(LOOP, tmp_path / "gone.pcap.gz")
    looked = look(store, [str(tmp_path)], LIMIT_S)
    (tmp_path / "gone.pcap.gz").unlink()
    done = add(store, looked, client, LIMIT_S, lambda _captures, _bytes: None)
    assert "gone.pcap.gz" in done.troubles[0] and not cases(store)


def test_a_capture_that_ends_its_worker_twice_is_kept_as_unreadable_and_costs_no_other(
    store, client, tmp_path
):
    for number, path in enumerate(copies(tmp_path, 4, ("no-dhcp.pcap", "wifi-bridge.pcap"))):
        if number in (1, 6):
            path.rename(tmp_path / f"{number}-deadly.pcap")
    done = added(store, client, tmp_path)
    assert done.new == 8 and not done.troubles
    unreadable = {row["name"]: row["unreadable"] for row in cases(store) if row["unreadable"]}
    assert unreadable == {"1-deadly.pcap": ENDED, "6-deadly.pcap": ENDED}
    assert all(row["verdict"] != "unreadable" for row in cases(store) if not row["unreadable"])
    assert not look(store, [str(tmp_path)], LIMIT_S).wanted


def test_a_fault_in_reading_is_kept_with_its_name(store, client, tmp_path):
    shutil.copy(LOOP, tmp_path / "faulty.pcap.gz")
    added(store, client, tmp_path)
    assert "RuntimeError: not thought of" in cases(store)[0]["unreadable"]


def test_a_slow_capture_has_a_limit_and_more_time_when_it_is_given(store, client):
    link_load = CAPTURES / "link-load.pcap.zst"
    done = added(store, client, link_load, limit_s=0.01)
    assert "not done after 0.01 s" in done.unreadable[0][1]
    assert not look(store, [str(link_load)], 0.01).wanted
    assert added(store, client, link_load).new == 1
    assert [row["unreadable"] for row in cases(store)] == [""]


def test_a_capture_that_hangs_ends_its_worker_and_is_kept_as_unreadable(store, client, tmp_path):
    shutil.copy(LOOP, tmp_path / "endless.pcap.gz")
    shutil.copy(NO_DHCP, tmp_path / "well.pcap")
    added(store, client, tmp_path, limit_s=2.0)
    assert [bool(row["unreadable"]) for row in cases(store)] == [True, False]


@pytest.mark.skipif(os.name == "nt", reason="no such names there")
def test_a_name_in_no_alphabet_is_no_trouble(store, client, tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    name = os.fsdecode(b"caf\xe9\x1b[2J.pcap")
    shutil.copy(NO_DHCP, folder / name)
    assert added(store, client, folder).new == 1
    assert not look(store, [str(folder)], LIMIT_S).wanted
    assert [row["verdict"] for row in cases(store)] == ["ready"]


def test_a_worker_that_is_killed_costs_nothing(store, client, tmp_path, monkeypatch):
    monkeypatch.setattr("preflight.archive.add.WRITE_S", 0.5)
    folder = tmp_path / "in"
    total = lasting(copies(folder, 5, (".pcap", ".pcapng", "loop.pcap.gz")))
    looked = look(store, [str(folder)], LIMIT_S)
    workers = list(client.run(os.getpid).values())

    def kill_one(captures: int, _bytes: int) -> None:
        if captures and workers:
            os.kill(workers.pop(), signal.SIGKILL)

    result = add(store, looked, client, LIMIT_S, kill_one)
    assert not workers and result.new == total and not result.unreadable and not result.troubles
    assert len(cases(store)) == total


@pytest.mark.parametrize("after", [1, 2])
def test_a_client_that_is_killed_loses_nothing_that_was_done(store, client, tmp_path, after):
    folder = tmp_path / "in"
    total = lasting(copies(folder, 5))
    command = [
        sys.executable,
        "-m",
        "preflight",
        "archive",
        "add",
        str(folder),
        "--archive",
        str(tmp_path / "archive"),
    ]
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=os.environ | UNRULY
    )
    until = time.monotonic() + PATIENCE_S
    while len(store.segments()) < after:
        assert time.monotonic() < until and process.poll() is None
        time.sleep(0.002)
    children = psutil.Process(process.pid).children(recursive=True)
    process.kill()
    process.wait()
    before = {row["capture"] for row in cases(store)}
    assert before
    looked = look(store, [str(folder)], LIMIT_S)
    assert len(looked.wanted) <= total - len(before)  # what was written down is not done again
    _, alive = psutil.wait_procs(children, timeout=PATIENCE_S)
    assert not alive  # nothing of it stays behind
    add(store, looked, client, LIMIT_S, lambda _captures, _bytes: None)
    settle(store)
    assert len(cases(store)) == total and before <= {row["capture"] for row in cases(store)}


def test_ctrl_c_is_one_line_and_what_was_done_stays(store, tmp_path):
    folder = tmp_path / "in"
    lasting(copies(folder, 5))
    command = [sys.executable, "-m", "preflight", "archive", "add", str(folder), "--archive", store.root]
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | UNRULY,
    )
    until = time.monotonic() + PATIENCE_S
    while not store.segments():
        assert time.monotonic() < until and process.poll() is None
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: the workers get it too
    out, err = process.communicate(timeout=PATIENCE_S)
    *progress, last = err.strip().splitlines()
    assert (process.returncode, out, last) == (130, "", "preflight: stopped by hand.")
    # A slow computer has told how it goes before.
    assert all(re.fullmatch(r"|\d+ of \d+ captures, .*", line) for line in progress), err
    assert cases(store)


def test_two_that_add_at_once_do_no_harm(store, client, tmp_path):
    folder = tmp_path / "in"
    total = len(copies(folder, 3, (".pcap", ".pcapng")))
    other = Store(store.root)
    ours, theirs = (look(each, [str(folder)], LIMIT_S) for each in (store, other))
    add(store, ours, client, LIMIT_S, lambda _captures, _bytes: None)
    add(other, theirs, client, LIMIT_S, lambda _captures, _bytes: None)
    assert len(cases(store)) == total
    with Library(store) as library:
        assert library.superseded
        once = library.ask('select count(*) n, count(distinct (capture, "check")) once from findings')[0]
    assert once["n"] == once["once"]
    settle(store)
    with Library(store) as library:
        assert not library.superseded and library.ask("select count(*) n from findings")[0]["n"] == once["n"]
    assert len(store.segments()) == 1


# -- a newer preflight ---------------------------------------------------------------------------------------


def test_known_captures_are_judged_by_the_named_checks_alone():
    found = Found(LOOP, Path(LOOP).stat().st_size, "")
    (new,) = judge([found], {}, LIMIT_S, False)
    (again,) = judge([found], {new.capture: ("loop", "clock")}, LIMIT_S, False)
    assert {finding.check for finding in again.again} == {"loop", "clock"}
    (known,) = judge([found], {new.capture: ()}, LIMIT_S, False)
    assert not known.rows and not known.again


def test_a_check_that_says_nothing_any_more_leaves_no_finding_behind():
    (new,) = judge([Found(LOOP, Path(LOOP).stat().st_size, "")], {}, LIMIT_S, False)
    again = Judged(new.found, new.capture, {"captures": new.rows["captures"]}, by=("loop",), again=())
    made = completed(again, new.rows["findings"])
    assert {row["check"] for row in made["findings"]} == {row["check"] for row in new.rows["findings"]} - {
        "loop"
    }
    # What the loop explained is now to be mended by itself.
    (storm,) = [row for row in made["findings"] if row["check"] == "multicast-storm"]
    assert storm["fix_first"] == 1 and not storm["explained_by"]


def other_preflight(tmp_path: Path, file: str, old: str, new: str) -> Path:
    """A copy of the package with one word changed."""
    shutil.copytree(PACKAGE, tmp_path / "other" / "preflight", ignore=shutil.ignore_patterns("__pycache__"))
    changed = tmp_path / "other" / "preflight" / file
    text = changed.read_text(encoding="utf-8")
    assert old in text
    changed.write_text(text.replace(old, new), encoding="utf-8")
    return tmp_path / "other"


def marks_of(folder: Path) -> dict[str, str]:
    code = "import json; from preflight.archive.marks import marks; print(json.dumps(marks()))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


@pytest.mark.parametrize(
    ("file", "old", "changed"),
    [
        ("checks/wire/loop.py", "There is a loop", {"loop"}),
        ("checks/see/silence.py", "import", None),
        ("checks/computer/mtu.py", "smaller", set()),  # no capture is judged by it
        ("wire/stp.py", "import", set(marks())),
    ],
)
def test_a_mark_follows_its_check_and_what_it_rests_on(tmp_path, file, old, changed):
    theirs = marks_of(other_preflight(tmp_path, file, old, f"{old} "))
    differing = {check for check, mark in marks().items() if theirs[check] != mark}
    if changed is None:  # those that read it, and no others
        assert 0 < len(differing) < len(marks())
        name = Path(file).stem
        for check in differing:
            assert name in (PACKAGE / "checks/wire" / f"{check.replace('-', '_')}.py").read_text(
                encoding="utf-8"
            )
    else:
        assert differing == changed


def test_a_newer_preflight_judges_again_what_its_checks_changed(store, client, tmp_path):
    added(store, client, LOOP, NO_DHCP)
    with Library(store) as library:
        then = library.ask("select * from findings order by all")
    other = other_preflight(tmp_path, "checks/wire/loop.py", "There is a loop", "There is a ring")
    # Without a place, all that the archive knows of is looked at.
    command = [sys.executable, "-m", "preflight", "archive", "add", "--archive", str(tmp_path / "archive")]
    done = subprocess.run(command, cwd=other, capture_output=True, text=True)
    assert done.returncode == 0 and "2 judged again" in done.stdout, done
    with Library(store) as library:
        now = library.ask("select * from findings order by all")
    changed = [
        (a["check"], a["headline"][:15], b["headline"][:15]) for a, b in zip(then, now, strict=True) if a != b
    ]
    assert {check for check, _, _ in changed} == {"loop"}
    assert ("loop", "There is a loop", "There is a ring") in changed
    assert all(row["verdict"] for row in cases(store))
    again = subprocess.run(command, cwd=other, capture_output=True, text=True)
    assert again.returncode == 0 and "0 new captures in" in again.stdout


# -- an existing cluster -------------------------------------------------------------------------------------


@pytest.fixture
def theirs() -> Iterator[LocalCluster]:
    """A cluster that was there before."""
    with LocalCluster(1, threads_per_worker=2, host="127.0.0.1", dashboard_address="127.0.0.1:0") as started:
        yield started


def test_an_existing_cluster_is_used(store, theirs):
    with cluster(theirs.scheduler_address) as other:
        assert added(store, other, LOOP, NO_DHCP).new == 2
    assert len(cases(store)) == 2


def test_a_cluster_that_does_not_answer_is_told(monkeypatch):
    monkeypatch.setattr("preflight.archive.cluster.PATIENCE_S", 0.5)
    with pytest.raises(ArchiveError, match="no cluster answers"), cluster("tcp://127.0.0.1:9"):
        pass


def test_a_cluster_that_goes_away_ends_in_one_line(theirs, tmp_path):
    found = [Found(str(path), path.stat().st_size, "") for path in copies(tmp_path, 20, ("no-dhcp.pcap",))]
    with (
        pytest.raises(ArchiveError, match="the cluster has gone"),
        cluster(theirs.scheduler_address) as client,
    ):
        for batch in judge_on(client, found, {}, {}, LIMIT_S):
            if batch:
                theirs.close()
