"""Frame sizes: what is jumbo, and the many sizes in a capture that never were on a cable."""

import struct
from pathlib import Path

import pytest

from preflight.checks.finding import Outcome
from preflight.study import study
from tests.checks.asked import asked
from tests.lab import frames as raw
from tests.tally.captures import (
    BROADCAST,
    arp,
    ethernet,
    every,
    mac,
    studied,
    told,
    udp,
    write,
    write_with_direction,
)

judge = asked("frame-size")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
PUBLIC = Path(__file__).parents[4] / "shared" / "public-captures"
TALK = every(0.1, arp(1, 2), 0.0, 1.3)


def ip(size: int, protocol: int = 17, to: str = mac(9), sender: int = 7) -> bytes:
    head = struct.pack(">BBHHHBBH", 0x45, 0, size - 14, 0, 0, 64, protocol, 0)
    return ethernet(to, mac(sender), 0x0800, head + bytes([192, 0, 2, sender, 192, 0, 2, 9]), size)


def tagged(frame: bytes) -> bytes:
    return frame[:12] + b"\x81\x00\x00\x14" + frame[12:]


@pytest.mark.parametrize(
    ("frame", "outcome"),
    [
        (ip(1514), PASS),
        (ip(1518), PASS),  # with its check sequence
        (ip(1519), CAUTION),
        (tagged(ip(1514)), PASS),
        (tagged(ip(1518)), PASS),  # 1 522 with its tag and check sequence
        (tagged(ip(1519)), CAUTION),
        (tagged(tagged(ip(1514))), PASS),
        (ip(9014), CAUTION),
        (ip(9014, to="01:00:5e:00:00:01"), FAIL),
        (ip(9014, to=BROADCAST), FAIL),
        (ip(60000, protocol=6), PASS),  # TCP, joined by the capturing computer
        (ip(1516), PASS),  # more than 1 514, but no more than with its check sequence
        (ip(9014, protocol=47), PASS),  # tunnels carry TCP too
        (ip(9014, protocol=41), PASS),
        (ip(9014, protocol=4), PASS),
        (ip(16384, to=BROADCAST), FAIL),
        (ip(16385, to=BROADCAST), PASS),  # no adapter sends that
    ],
)
def test_long_frames(tmp_path, frame, outcome):
    finding = judge(studied(tmp_path, TALK, [(0.5, frame)]))
    assert finding.outcome == outcome
    if outcome != PASS:
        assert finding.culprits == (mac(7),) and mac(7) in told(finding)
        assert finding.fixes and finding.cautions
    assert ("everyone" in finding.headline) == (outcome == FAIL)


def test_what_this_computer_sends_is_cut_by_its_adapter(tmp_path):
    frames = [(t, d, False) for t, d in TALK] + [(1.3, ip(30000), True), (1.4, ip(42), True)]
    assert judge(study(str(write_with_direction(tmp_path / "own.pcapng", frames)))).outcome == PASS


@pytest.mark.parametrize(
    ("others", "outcome"),
    [
        (TALK, CAUTION),  # padded ARP: so is everything
        (every(0.1, arp(1, 2)[:42], 0.0, 1.3), PASS),  # a virtual cable
        ([*TALK, (0.7, ethernet(mac(9), mac(3), 0x86DD, b"\x60", 58))], PASS),  # IPv6 without padding
        ([*TALK, (0.7, udp(3, "233.252.0.1", 5004, b"hello")[:47])], PASS),
        (every(0.1, udp(3, "233.252.0.1", 5004, bytes(100)), 0.0, 1.3), PASS),  # nothing tells
    ],
)
def test_short_frames_count_only_where_padding_is_the_rule(tmp_path, others, outcome):
    short = ethernet(BROADCAST, mac(7), 0x88B5, b"\1", 40)
    finding = judge(studied(tmp_path, others, [(0.5, short)]))
    assert finding.outcome == outcome and finding.measured["short_frames"] >= 1
    assert (finding.culprits == (mac(7),)) == (outcome == CAUTION)
    assert finding.headline.startswith("1 frame is shorter") == (outcome == CAUTION)


def test_long_tcp_frames_are_told_as_what_they_are(tmp_path):
    finding = judge(studied(tmp_path, TALK, [(0.5, ip(60000, protocol=6))]))
    assert (
        "long TCP frames were cut or joined" in finding.headline and finding.measured["long_tcp_frames"] == 1
    )
    assert judge(studied(tmp_path, TALK)).headline == "Every frame has a size that Ethernet allows."


def test_what_comes_most_often_is_told_first(tmp_path):
    often = every(0.1, ip(1600, sender=8), 0.2, 0.5)
    finding = judge(studied(tmp_path, TALK, [(0.1, ip(9014))], often))
    assert finding.culprits == (mac(8), mac(7))
    many = [(0.1 + n / 100, ip(9014, sender=n)) for n in range(10, 27)]
    finding = judge(studied(tmp_path, TALK, many))
    assert (len(finding.culprits), len(finding.evidence)) == (16, 6)


# A cooked capture's header is 16 bytes where Ethernet's is 14, or 20 in its second version.
@pytest.mark.parametrize(("size", "outcome"), [(1524, PASS), (1525, CAUTION)])
def test_a_cooked_capture(tmp_path, size, outcome):
    sender = bytes.fromhex(mac(7).replace(":", "")) + bytes(2)

    def cooked(frame: bytes) -> bytes:
        return struct.pack(">HHH", 0, 1, 6) + sender + frame[12:]

    frames = [(0.1, cooked(ip(size - 2))), (0.6, cooked(ip(42))), (1.3, cooked(ip(100)))]
    path = write(tmp_path / "cooked.pcap", frames)
    data = path.read_bytes()
    path.write_bytes(data[:20] + struct.pack("<I", 113) + data[24:])
    finding = judge(study(str(path)))
    assert finding.outcome == outcome and finding.measured["longest_bytes"] == size


def test_long_and_short_ones_are_told_one_after_the_other(tmp_path):
    """What goes to everyone is graver than what is short."""
    short = ethernet(BROADCAST, mac(8), 0x88B5, b"\1", 59)
    frames = [(0.5, ip(9014, to=BROADCAST)), (0.6, ip(1519)), (0.7, short), (0.8, short)]
    finding = judge(studied(tmp_path, TALK, frames))
    assert finding.outcome == FAIL and finding.culprits == (mac(7),)
    assert finding.headline == "2 jumbo frames, up to 9014 bytes, go to everyone."
    assert "9014 bytes without check sequence" in finding.evidence[0].text
    assert "2 frames are shorter than Ethernet allows. 2 frames of local" in told(finding)
    assert "59 bytes without check sequence" in finding.evidence[-1].text
    assert finding.spans == (pytest.approx((0.5, 0.6)),)


def test_too_little(tmp_path):
    assert judge(studied(tmp_path, TALK[:5])).outcome == UNPROVEN


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize("name", ["bigtcp-ipv4.pcap", "bigtcp-ipv6.pcap", "ipv4_tcp_http_xml_tso.pcap"])
def test_public_captures_of_offloaded_tcp(name):
    finding = judge(study(str(PUBLIC / name)))
    assert finding.outcome in (PASS, UNPROVEN) and finding.measured.get("jumbo_frames", 0) == 0


def test_one_jumbo_frame_and_its_figures(tmp_path):
    finding = judge(studied(tmp_path, TALK, [(0.5, ip(9014, to=BROADCAST)), (0.6, ip(60000, protocol=6))]))
    assert finding.headline == "1 jumbo frame, up to 9014 bytes, goes to everyone."
    assert finding.measured == {
        "jumbo_frames": 1, "longest_bytes": 60000, "long_tcp_frames": 1, "short_frames": 0, "short_frames_among_padded": 0,
    }  # fmt: skip
    short = ethernet(BROADCAST, mac(7), 0x88B5, b"\1", 40)
    finding = judge(studied(tmp_path, TALK, [(0.5, short)]))
    assert finding.measured["short_frames"] == finding.measured["short_frames_among_padded"] == 1
    assert finding.measured["longest_bytes"] == 60


def test_what_a_switch_never_passes_on_reaches_nobody_else(tmp_path):
    finding = judge(studied(tmp_path, TALK, [(0.5, ip(9014, to="01:80:c2:00:00:0e"))]))
    assert finding.outcome == CAUTION and finding.headline == "1 jumbo frame, up to 9014 bytes."


def test_what_was_joined_beside_tcp_may_be_damaged(tmp_path):
    finding = judge(studied(tmp_path, TALK, [(0.5, ip(60000, protocol=6)), (0.6, ip(60000, to=BROADCAST))]))
    assert finding.outcome == PASS and finding.headline.endswith(
        "joined by the capturing computer, or is damaged."
    )


def packets(rest_of: int, size: int = 1728, port: int = 5004, to: str = "233.252.0.7") -> list:
    """A stream of 100 packets, cut at 1480 bytes (RFC 791); the second half comes of so many of them."""
    frames = []
    for n in range(100):
        data = struct.pack(">HHHH", port, port, 8 + 12 + size, 0) + raw.rtp_header(n, 48 * n, 7)
        data += bytes([n % 251]) * size
        for at in range(0, len(data), 1480):
            if at and n >= rest_of:
                continue
            more = 0x2000 if at + 1480 < len(data) else 0
            head = struct.pack(
                ">BBHHHBBH", 0x45, 0, 20 + len(data[at : at + 1480]), n, more | at // 8, 64, 17, 0
            )
            packet = head + bytes([192, 0, 2, 7, *map(int, to.split("."))]) + data[at : at + 1480]
            frames.append((n * 0.02 + at * 1e-8, ethernet(raw.multicast_mac(to), mac(7), 0x0800, packet)))
    return frames


@pytest.mark.parametrize(("rest_of", "outcome"), [(49, PASS), (50, CAUTION), (100, CAUTION)])
def test_a_stream_in_fragments(tmp_path, rest_of, outcome):
    finding = judge(studied(tmp_path, packets(rest_of), TALK))
    assert finding.outcome is outcome
    if outcome is CAUTION:
        assert "come in fragments" in finding.headline and finding.culprits == (mac(7),)
        assert "fewer channels" in finding.fixes[0]


def test_whose_packets_fit_is_not_in_fragments(tmp_path):
    """1440 bytes of audio go whole. Another stream of the same sender to the same group is in fragments."""
    whole = packets(0, size=1440, port=5006)
    assert judge(studied(tmp_path, whole, TALK)).outcome is PASS
    assert judge(studied(tmp_path, whole, packets(100, to="233.252.0.8"), TALK)).headline.startswith(
        "Packets of the stream to 233.252.0.8 port 5004 (1 of 2 streams)"
    )
