"""Two networks captured at once: each adapter by itself, with the frame numbers of the file."""

import json
import struct
from pathlib import Path

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from preflight.cli import main
from preflight.report.schema import schema
from tests.anonymise.originals import unpacked
from tests.frames.made import FRAME, Pcapng

CAPTURES = Path(__file__).parents[2] / "captures"
LE = Pcapng("<")


def adapter(name: bytes, mbps: int) -> bytes:
    options = LE.option(2, name) + LE.option(8, struct.pack("<Q", mbps * 10**6)) + LE.option(9, b"\x09")
    return LE.block(1, struct.pack("<HHI", 1, 0, 0) + options)


def packets(name: str) -> list[tuple[int, bytes]]:
    """Frames of a pcap in microseconds, from its first one on."""
    raw, at, found = unpacked(CAPTURES / name), 24, []
    while at < len(raw):
        second, fraction, size, _ = struct.unpack("<IIII", raw[at : at + 16])
        found.append(
            (
                second * 10**9 + fraction * (1000 if raw[:4] == b"\xd4\xc3\xb2\xa1" else 1),
                raw[at + 16 : at + 16 + size],
            )
        )
        at += 16 + size
    start = found[0][0]
    return [(1_795_600_000 * 10**9 + time - start, data) for time, data in found]


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[int]]:
    """A rig with a rogue server on one adapter and a clean one on the other, and the numbers of the first
    one's frames."""
    frames = [(time, 0, data) for time, data in packets("two-clocks.pcap.gz")]
    frames += [(time, 1, data) for time, data in packets("no-dhcp.pcap")]
    frames.sort(key=lambda frame: frame[0])
    path = tmp_path_factory.mktemp("apart") / "both.pcapng"
    content = LE.section() + adapter(b"primary", 1000) + adapter(b"secondary", 100)
    path.write_bytes(content + b"".join(LE.packet(which, time, data) for time, which, data in frames))
    return path, [number for number, (_, which, _) in enumerate(frames, 1) if which == 0]


def studied(*args: str) -> dict:
    return json.loads(CliRunner().invoke(main, ["study", "--json", *args]).stdout)


def test_each_adapter_is_judged_as_its_own_capture_is(both):
    path, numbers = both
    result = studied(str(path))
    Draft202012Validator(json.loads(schema())).validate(result)
    assert [(each["adapter"], each["verdict"]) for each in result["apart"]] == [
        ("primary", "not ready"),
        ("secondary", "ready"),
    ]
    for each, name in zip(result["apart"], ("two-clocks.pcap.gz", "no-dhcp.pcap"), strict=True):
        alone = studied(str(CAPTURES / name))
        assert each["frames"] == alone["source"]["frames"]
        told = [(f["check"], f["outcome"], f["culprits"]) for f in each["findings"]]
        assert told == [(f["check"], f["outcome"], f["culprits"]) for f in alone["findings"]]
    alone = studied(str(CAPTURES / "two-clocks.pcap.gz"))
    for one, other in zip(result["apart"][0]["findings"], alone["findings"], strict=True):
        frames = [(a["frame"], b["frame"]) for a, b in zip(one["evidence"], other["evidence"], strict=True)]
        assert all(a == numbers[b - 1] for a, b in frames if b is not None)


def test_the_rate_of_each_is_its_own(both):
    path, _ = both
    by_check = [{f["check"]: f for f in each["findings"]} for each in studied(str(path))["apart"]]
    assert [found["link-load"]["measured"]["link_mbps"] for found in by_check] == [1000, 100]


def test_the_screen_and_the_page_tell_it(both, tmp_path):
    done = CliRunner().invoke(main, ["study", str(both[0]), "--report", str(tmp_path / "page.html")])
    assert "primary: NOT READY, clock; secondary: READY" in " ".join(done.stdout.split())
    in_full = CliRunner().invoke(main, ["study", "--full", str(both[0])])
    assert "primary: NOT READY. clock: " in in_full.stdout and "secondary: READY" in in_full.stdout
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Each adapter by itself" in page and "<td>READY</td>" in page


def test_one_adapter_that_heard_something_is_not_told_twice(tmp_path):
    path = tmp_path / "one.pcapng"
    content = LE.section() + adapter(b"a", 1000) + adapter(b"b", 1000)
    path.write_bytes(content + b"".join(LE.packet(1, 1_795_600_000 * 10**9 + n, FRAME) for n in range(50)))
    assert "apart" not in studied(str(path))
