"""Places in object storage: a real server that speaks S3, on the loopback."""

import json
import os
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
import s3fs

from preflight.archive import ArchiveError
from preflight.archive.library import Library
from preflight.archive.place import captures_in, digest, local, reached
from preflight.archive.store import Store
from preflight.archive.tidy import settle
from tests.archive.made import CAPTURES
from tests.archive.made import cases as made_cases
from tests.inbox.test_find import zipped
from tests.pipes import PATIENCE_S

NAMES = ("loop.pcap.gz", "no-dhcp.pcap", "stray-dhcp.pcapng")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """What the environment of a user of the server holds."""
    log = (tmp_path_factory.mktemp("s3") / "log").open("w+")
    process = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", "0"],
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    try:
        url = _address(Path(log.name), process)
        yield {
            "AWS_ENDPOINT_URL": url,
            "AWS_ACCESS_KEY_ID": "invented",
            "AWS_SECRET_ACCESS_KEY": "invented",
            "AWS_DEFAULT_REGION": "us-east-1",
        }
    finally:
        process.kill()
        process.wait()
        log.close()


def _address(log: Path, process: subprocess.Popen) -> str:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and process.poll() is None:
        for word in log.read_text(encoding="utf-8").split():
            if word.startswith("http://127.0.0.1:"):
                urllib.request.urlopen(word, timeout=PATIENCE_S).close()
                return word
        time.sleep(0.1)
    raise AssertionError(log.read_text(encoding="utf-8"))


@pytest.fixture
def bucket(server: dict[str, str], monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> str:
    for name, value in server.items():
        monkeypatch.setenv(name, value)
    name = "desk-" + "".join(c for c in request.node.name.lower() if c.isalnum())[-40:]
    s3fs.S3FileSystem(skip_instance_cache=True).mkdir(name)
    return f"s3://{name}"


def test_captures_and_archive_in_object_storage(bucket, server):
    fs = s3fs.S3FileSystem(skip_instance_cache=True)
    for name in NAMES:
        fs.put_file(str(CAPTURES / name), f"{bucket}/in/{name}")
    command = [sys.executable, "-m", "preflight", "archive"]

    def run(*args: str) -> subprocess.CompletedProcess:
        environment = {**os.environ, **server}
        return subprocess.run(
            [*command, *args, "--archive", f"{bucket}/kept"], capture_output=True, text=True, env=environment
        )

    done = run("add", f"{bucket}/in")
    assert done.returncode == 0 and "3 new captures" in done.stdout, done
    again = run("add", f"{bucket}/in")
    assert again.returncode == 0 and "0 new captures" in again.stdout and "3 known" in again.stdout, again
    found = json.loads(run("find", "--check", "loop", "--json").stdout)["cases"]
    assert [case["name"] for case in found] == ["loop.pcap.gz"]
    assert run("note", "loop.pcap.gz", "The second cable.", "--who", "Kim").returncode == 0
    shown = run("show", "loop.pcap.gz").stdout
    assert f"{bucket}/in/loop.pcap.gz" in shown and "The second cable." in shown
    # One that is written anew is another capture.
    fs.put_file(str(CAPTURES / "wifi-bridge.pcap"), f"{bucket}/in/loop.pcap.gz")
    assert "1 new capture " in run("add", f"{bucket}/in").stdout


def test_an_archive_in_object_storage_is_merged_like_one_in_a_folder(bucket, models):
    store = Store(f"{bucket}/deep/kept")
    for rows in made_cases(models, 6):
        store.add(rows)
    settle(store)
    assert len(store.segments()) == 1
    with Library(store) as library:
        assert library.ask("select count(*) n from captures")[0]["n"] == 6
        assert library.ask("select count(*) n from findings")[0]["n"] > 100
    left = s3fs.S3FileSystem(skip_instance_cache=True).find(f"{bucket}/deep/kept")
    assert len([name for name in left if name.endswith(".json")]) == 1


def test_what_is_fetched_is_the_capture_and_is_gone_afterwards(bucket):
    s3fs.S3FileSystem(skip_instance_cache=True).put_file(str(CAPTURES / NAMES[0]), f"{bucket}/a.pcap.gz")
    (found,) = captures_in(f"{bucket}/a.pcap.gz").captures
    with local(found.place) as path:
        assert Path(path).read_bytes() == (CAPTURES / NAMES[0]).read_bytes()
    assert not Path(path).exists()


@pytest.mark.parametrize("place", ["{}/nothing/here", "s3://no-such-bucket-at-all/x"])
def test_a_place_in_object_storage_that_is_not_there_is_told(bucket, place):
    with pytest.raises(ArchiveError):
        captures_in(place.format(bucket))


def test_a_storage_that_does_not_answer_is_told(monkeypatch, bucket):
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    monkeypatch.setenv("AWS_MAX_ATTEMPTS", "1")
    with pytest.raises(ArchiveError, match="cannot be looked at"):
        captures_in(f"{bucket}/in")


def test_folders_are_looked_through_to_the_bottom_for_captures(tmp_path):
    (tmp_path / "a" / "b").mkdir(parents=True)
    for name in ("x.pcap", "a/y.PCAPNG", "a/b/z.cap.gz", "a/b/w.pcap.zst", "a/notes.txt", "a/b.gz"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "a" / "without-a-name").write_bytes((CAPTURES / "no-dhcp.pcap").read_bytes())
    os.mkfifo(tmp_path / "pipe.pcap")
    heap = captures_in(str(tmp_path))
    assert {Path(one.place).name for one in heap.captures} == {
        "x.pcap", "y.PCAPNG", "z.cap.gz", "w.pcap.zst", "without-a-name",
    }  # fmt: skip
    assert heap.others == 3 and not heap.troubles
    # Named itself, a file is taken whatever its name.
    assert len(captures_in(str(tmp_path / "a" / "notes.txt")).captures) == 1


def test_an_archive_in_object_storage_is_looked_into(bucket, tmp_path):
    (tmp_path / "sent.zip").write_bytes(zipped({NAMES[0]: (CAPTURES / NAMES[0]).read_bytes()}))
    s3fs.S3FileSystem(skip_instance_cache=True).put_file(str(tmp_path / "sent.zip"), f"{bucket}/in/sent.zip")
    (found,) = captures_in(f"{bucket}/in").captures
    assert found.known_as == f"{bucket}/in/sent.zip: {NAMES[0]}"
    with reached([found]) as (place,):
        assert digest(place) == digest(str(CAPTURES / NAMES[0]))
