"""dpkt, an independent decoder, reads every frame of every bundled capture as the kernels do."""

import gzip
import io
import struct
from collections.abc import Iterator
from pathlib import Path

import dpkt
import pytest
import zstandard

from preflight.frames import kernels as k
from tests.frames.made import read

BUNDLED = sorted(p for p in (Path(__file__).parents[2] / "captures").iterdir() if ".pcap" in p.name)
UNREAD = -1


def unpacked(path: Path) -> bytes:
    if path.suffix == ".gz":
        return gzip.decompress(path.read_bytes())
    if path.suffix == ".zst":
        return zstandard.ZstdDecompressor().stream_reader(path.read_bytes()).read()
    return path.read_bytes()


def packets(content: bytes) -> Iterator[tuple[int, int, bytes]]:
    """The length on the wire, the end in the file and the captured bytes of each whole packet, by dpkt's
    headers."""
    at = 0
    if content[:4] in (b"\xd4\xc3\xb2\xa1", b"\x4d\x3c\xb2\xa1"):
        at = 24
        while at + 16 <= len(content):
            head = dpkt.pcap.LEPktHdr(content[at : at + 16])
            end = at + 16 + head.caplen
            if end > len(content):
                return
            yield head.len, end, content[at + 16 : end]
            at = end
    else:
        while at + 16 <= len(content):
            kind, size = struct.unpack("<II", content[at : at + 8])
            if at + size > len(content):
                return
            if kind == dpkt.pcapng.PCAPNG_BT_EPB:
                block = dpkt.pcapng.EnhancedPacketBlockLE(content[at : at + size])
                yield block.pkt_len, at + size, bytes(block.pkt_data)
            at += size


def headers(data: bytes) -> tuple[int, ...]:
    """Source, destination, type, protocol and ports as dpkt reads them; -1 where it does not read that
    far."""
    eth = dpkt.ethernet.Ethernet(data)
    addresses = int.from_bytes(eth.src, "big"), int.from_bytes(eth.dst, "big")
    etype = eth.type if eth.type >= 1536 else 0
    ip = eth.data
    if not isinstance(ip, (dpkt.ip.IP, dpkt.ip6.IP6)):
        return (*addresses, etype, UNREAD, UNREAD, UNREAD)
    proto = ip.p
    ports = getattr(ip.data, "sport", UNREAD), getattr(ip.data, "dport", UNREAD)
    return (*addresses, etype, proto, *ports)


@pytest.mark.parametrize("path", BUNDLED, ids=lambda p: p.name)
def test_every_frame_of_a_bundled_capture(path: Path) -> None:
    content = unpacked(path)
    theirs = list(packets(content))
    times = [float(time) for time, _ in dpkt.pcap.UniversalReader(io.BytesIO(content))]
    got = read(path)
    assert list(zip(got[k.WIRE], got.data, strict=True)) == [(wire, data) for wire, _, data in theirs]
    for ours, time in zip(
        got[k.TIME], times[: len(theirs)], strict=True
    ):  # dpkt reads a cut frame at the end
        assert ours / 1e9 == pytest.approx(time, abs=2e-6)
    columns = zip(*(got[c] for c in (k.SRC, k.DST, k.ETYPE, k.PROTO, k.SPORT, k.DPORT)), strict=True)
    compared = 0
    for ours, (_, _, data) in zip(columns, theirs, strict=True):
        its = headers(data)
        assert all(b in (UNREAD, a) for a, b in zip(ours, its, strict=True)), (compared, ours, its)
        compared += its[-1] != UNREAD
    assert compared > 10
