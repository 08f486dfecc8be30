"""The house network: a gateway at work, signs that must come together, and what is our own."""

import struct

import pytest

from preflight.checks.finding import Outcome
from preflight.checks.wire.house_network import outside
from preflight.study import study
from tests.checks.asked import asked
from tests.tally.captures import BROADCAST, ethernet, every, mac, rtp, studied, told, write_with_direction
from tests.wire import samples

judge = asked("house-network")

CAUTION, FAIL, UNPROVEN = Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
TCP, UDP = 6, 17
# Every documentation address counts as ours, so these are service addresses that the internet routes: RFC
# 7535, RFC 7450.
FAR, FARTHER = "192.31.196.1", "192.52.193.1"
GATE, BOX, OTHER = 0x42, 0x1F, 0x20
HERE = "192.0.2.31"


def packet(
    sender: int,
    source: str,
    receiver: int | str,
    to: str,
    sport: int = 40000,
    dport: int = 443,
    protocol: int = TCP,
) -> bytes:
    hops = 57 if sender == GATE else 64  # what a gateway hands over has come a way
    head = struct.pack(">BBHHHBBH", 0x45, 0, 48, 0, 0, hops, protocol, 0)
    head += bytes(map(int, f"{source}.{to}".split(".")))
    hardware = receiver if isinstance(receiver, str) else mac(receiver)
    return ethernet(hardware, mac(sender), 0x0800, head + struct.pack(">HH", sport, dport) + bytes(24))


def claim(sender: int, address: str) -> bytes:
    body = struct.pack(">HHBBH", 1, 0x0800, 6, 4, 2) + bytes.fromhex(mac(sender).replace(":", ""))
    return ethernet(BROADCAST, mac(sender), 0x0806, body + bytes(map(int, address.split("."))) * 2 + bytes(6))


from_far = packet(GATE, FAR, BOX, HERE, 443, 40000)
from_farther = packet(GATE, FARTHER, BOX, HERE, 443, 40001)
to_far = packet(BOX, HERE, GATE, FAR)
lookup = packet(BOX, HERE, GATE, "192.0.2.66", dport=53, protocol=UDP)
answer = packet(GATE, "192.0.2.66", BOX, HERE, 53, 40000, UDP)
files = packet(GATE, "192.0.2.66", BOX, HERE, 445, 40000)
ask_files = packet(BOX, HERE, GATE, "192.0.2.66", 40000, 445)
names = packet(BOX, HERE, BROADCAST, "192.0.2.255", 137, 137, UDP)
ospf = packet(GATE, "192.0.2.66", "01:00:5e:00:00:05", "224.0.0.5", protocol=89)
vrrp = packet(GATE, "192.0.2.66", "01:00:5e:00:00:12", "224.0.0.18", protocol=112)
sign_in = packet(GATE, "192.0.2.66", BOX, HERE, 389, 40000)
printer = bytes(samples.announcement("_ipp._tcp.local."))
gateway = bytes(samples.notify())


@pytest.mark.parametrize(
    ("frames", "points", "outcome"),
    [
        ([from_far, from_farther], 10, FAIL),
        ([from_far], 4, CAUTION),
        ([to_far], 3, CAUTION),
        ([to_far, packet(OTHER, HERE, GATE, FAR), packet(0x21, HERE, GATE, FAR)], 6, CAUTION),
        ([lookup], 2, UNPROVEN),
        ([answer], 4, CAUTION),
        ([lookup, answer], 6, CAUTION),
        ([lookup, answer, to_far, from_far], 10, FAIL),  # FAR and what GATE sends from it are one sign
        ([files], 2, UNPROVEN),
        ([ask_files], 0, UNPROVEN),
        ([names], 1, UNPROVEN),
        ([files, names], 3, CAUTION),
        ([ospf], 4, CAUTION),
        ([vrrp], 0, UNPROVEN),  # engines share an address so, too
        ([sign_in], 4, CAUTION),
        ([printer], 2, UNPROVEN),
        ([gateway], 2, UNPROVEN),  # the check wifi-bridge weighs it by itself
        ([gateway, lookup], 4, CAUTION),
        ([gateway, answer, files, lookup], 10, FAIL),
        ([lookup] * 5, 2, UNPROVEN),  # a device counts once
    ],
)
def test_the_weights(tmp_path, frames, points, outcome):
    finding = judge(studied(tmp_path, [(0.1 * n, frame) for n, frame in enumerate(frames)]))
    assert (finding.measured["points"], finding.outcome) == (points, outcome)
    if outcome != UNPROVEN:
        assert finding.fixes and finding.cautions and finding.culprits


def test_the_gateway_is_named_first(tmp_path):
    finding = judge(studied(tmp_path, [(0.0, lookup), (0.1, from_far), (0.2, from_farther)]))
    assert finding.culprits[0] == mac(GATE) and FAR in finding.headline
    assert finding.evidence[0].frame == 2 and mac(BOX) in told(finding)


def test_an_odd_address_of_ones_own_is_no_internet(tmp_path):
    """Devices numbered from a range of the internet, as ARP shows."""
    frames = [claim(GATE, FAR), from_far, to_far]
    finding = judge(studied(tmp_path, [(0.1 * n, frame) for n, frame in enumerate(frames)]))
    assert finding.measured["points"] == 0


def test_two_that_talk_straight_to_each_other_are_at_home(tmp_path):
    """Numbered from a range of the internet, and no ARP to show it: both in one network, and no hop was
    counted down."""
    near, again = packet(BOX, FAR, OTHER, "192.31.196.2"), packet(OTHER, "192.31.196.2", BOX, FAR)
    assert judge(studied(tmp_path, [(0.0, near), (0.1, again)])).measured["points"] == 0
    # A hop was; or the other is elsewhere: then a router stands between them.
    passed_on = packet(GATE, "192.31.196.2", BOX, FAR)
    assert judge(studied(tmp_path, [(0.0, passed_on)])).outcome == CAUTION
    assert judge(studied(tmp_path, [(0.0, near), (0.1, packet(OTHER, FARTHER, BOX, FAR))])).outcome == CAUTION
    # As are those who answer somebody with an address for private use.
    assert judge(studied(tmp_path, [(0.0, near), (0.1, from_far), (0.2, from_farther)])).outcome == FAIL


def test_what_this_computer_asks_counts_only_when_answered(tmp_path):
    asks = [(0.0, to_far, True), (0.1, lookup, True), (0.2, names, True)]
    finding = judge(study(str(write_with_direction(tmp_path / "a.pcapng", asks))))
    assert finding.measured["points"] == 0
    answered = [*asks, (0.3, from_far, False), (0.4, from_farther, False)]
    assert judge(study(str(write_with_direction(tmp_path / "b.pcapng", answered)))).outcome == FAIL


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("10.1.2.3", False),
        ("172.31.0.1", False),
        ("172.32.0.1", True),
        ("192.168.0.1", False),
        ("169.254.3.4", False),
        ("100.64.0.1", False),  # RFC 6598
        ("192.0.2.9", False),  # RFC 5737
        ("198.51.100.9", False),
        ("203.0.113.9", False),
        ("233.252.0.1", False),
        ("0.0.0.0", False),
        ("255.255.255.255", False),
        ("fd00::1", False),
        ("fe80::1", False),
        ("2001:db8::1", False),
        ("ff0e::1", False),
        ("2620:4f:8000::1", True),  # RFC 7535
        ("4000::1", False),
        ("", False),
    ],
)
def test_which_addresses_are_the_internets(address, told):
    assert outside(address) == told


def test_a_show_is_no_house_network(tmp_path):
    finding = judge(studied(tmp_path, every(0.01, lambda n: rtp(1, "233.252.0.1", n), 0, 2)))
    assert finding.outcome == UNPROVEN and finding.fixes


def by(number: int, frame: bytes) -> bytes:
    """The same frame from another device."""
    return frame[:6] + bytes.fromhex(mac(number).replace(":", "")) + frame[12:]


@pytest.mark.parametrize(
    ("frame", "points"),
    [
        (from_far, (4, 8, 8)),
        (to_far, (3, 6, 6)),
        (answer, (4, 8, 8)),
        (lookup, (2, 4, 4)),
        (gateway, (2, 4, 4)),
        (ospf, (4, 8, 8)),
        (sign_in, (4, 4, 4)),
        (printer, (2, 4, 4)),
        (files, (2, 4, 4)),
        (names, (1, 2, 2)),
    ],
)
def test_each_kind_counts_for_so_many_devices(tmp_path, frame, points):
    for count, expected in enumerate(points, 1):
        frames = [(0.1 * n, by(0x30 + n, frame)) for n in range(count)]
        assert judge(studied(tmp_path, frames)).measured["points"] == expected


def test_nine_points_are_a_caution_and_ten_a_fault(tmp_path):
    nine = [(0.0, answer), (0.1, to_far), (0.2, lookup)]
    assert judge(studied(tmp_path, nine)).measured["points"] == 9
    assert judge(studied(tmp_path, nine)).outcome == CAUTION
    assert judge(studied(tmp_path, nine, [(0.3, names)])).outcome == FAIL


@pytest.mark.parametrize(
    ("frame", "sign"),
    [
        *(
            (packet(GATE, "192.0.2.66", BOX, HERE, port, 1024), "file sharing")
            for port in (139, 445, 548, 2049)
        ),
        *((packet(GATE, "192.0.2.66", BOX, HERE, port, 1024), "printing") for port in (515, 631, 9100)),
        *((packet(GATE, "192.0.2.66", BOX, HERE, port, 1024), "office sign-in") for port in (88, 389, 636)),
        (packet(GATE, "192.0.2.66", BOX, HERE, 445, 1023), None),
        (packet(GATE, "192.0.2.66", BOX, HERE, 445, 1024, UDP), None),
        (packet(BOX, HERE, BROADCAST, "192.0.2.255", 138, 138, UDP), "network names"),
        (packet(BOX, HERE, BROADCAST, "192.0.2.255", 139, 139, UDP), None),
        (packet(BOX, HERE, BROADCAST, "192.0.2.255", 53, 53, UDP), None),
        *(
            (packet(GATE, "192.0.2.66", BROADCAST, "192.0.2.255", 1, port, UDP), "routing")
            for port in (520, 521, 1985)
        ),
        (packet(GATE, "192.0.2.66", BOX, HERE, 1, 520, UDP), None),
        (packet(GATE, "192.0.2.66", BROADCAST, "192.0.2.255", 1, 520), None),
        (packet(GATE, "192.0.2.66", "01:00:5e:00:00:0a", "224.0.0.10", protocol=88), "routing"),
        (packet(GATE, "192.0.2.66", BOX, HERE, protocol=89), "routing"),
    ],
)
def test_services_by_their_ports(tmp_path, frame, sign):
    assert judge(studied(tmp_path, [(0.0, frame)])).measured["signs"] == ([sign] if sign else [])


def test_two_addresses_of_one_network_are_no_gateway_at_work(tmp_path):
    near = packet(GATE, "192.31.196.77", BOX, HERE, 443, 40001)
    finding = judge(studied(tmp_path, [(0.0, from_far), (0.5, near)]))
    assert finding.measured["signs"] == ["internet address"] and finding.spans == ((0.0, 0.5),)


def test_the_words_tell_how_sure_it_is(tmp_path):
    sure = judge(studied(tmp_path, [(0.0, from_far), (0.1, from_farther)]))
    assert sure.headline.startswith(f"Another network is joined to the audio LAN: ICANN 53:42 ({mac(GATE)})")
    unsure = judge(studied(tmp_path, [(0.0, from_far)]))
    assert unsure.headline.startswith(
        f"Another network may be joined to the audio LAN: ICANN 53:42 ({mac(GATE)})"
    )


def test_neighbouring_networks_are_a_gateway_at_work_and_two_gateways_no_more_than_one(tmp_path):
    pair = [from_far, packet(GATE, "192.31.197.1", BOX, HERE, 443, 40001)]
    frames = [*pair, *(by(0x43, frame) for frame in pair)]
    finding = judge(studied(tmp_path, [(0.1 * n, frame) for n, frame in enumerate(frames)]))
    assert (finding.measured["points"], finding.measured["signs"]) == (10, ["gateway at work"])
    assert finding.culprits == (mac(GATE), mac(0x43))


def with_hops(frame: bytes, hops: int) -> bytes:
    return frame[:22] + bytes([hops]) + frame[23:]


@pytest.mark.parametrize(("hops", "points"), [(63, 10), (64, 4), (127, 10), (128, 4), (254, 10), (255, 4)])
def test_what_no_router_has_sent_on_is_a_devices_own(tmp_path, hops, points):
    """64, 128 and 255 are what senders begin with: common practice."""
    frames = [(0.1 * n, with_hops(frame, hops)) for n, frame in enumerate((from_far, from_farther))]
    finding = judge(studied(tmp_path, frames))
    assert finding.measured["points"] == points or (points == 4 and finding.outcome != FAIL)


def test_damaged_headers_and_groups_as_senders_are_no_sign(tmp_path):
    """A header checksum that is wrong: RFC 791. One of zero is left to the adapter."""
    broken = [frame[:24] + b"\x12\x34" + frame[26:] for frame in (from_far, from_farther)]
    assert judge(studied(tmp_path, [(0.0, broken[0]), (0.1, broken[1])])).measured["points"] == 0
    group = [frame[:6] + b"\x01" + frame[7:] for frame in (from_far, from_farther)]
    assert judge(studied(tmp_path, [(0.0, group[0]), (0.1, group[1])])).measured["points"] == 0


@pytest.mark.parametrize(("size", "points"), [(60_000, 4), (262_144, 0)])
def test_a_record_of_absurd_length_is_no_sign(tmp_path, size, points):
    """No adapter sends such a frame, and the packet in it says that it is short."""
    frame = from_far.ljust(size, b"\0")
    assert judge(studied(tmp_path, [(0.0, frame)], snap=200)).measured["points"] == points
    head = bytes.fromhex("60000000" + "0018" + "063d" + "2620004f800000000000000000000001")
    six = ethernet(mac(BOX), mac(GATE), 0x86DD, head + bytes.fromhex("20010db8" + "0" * 23 + "1") + bytes(24))
    assert judge(studied(tmp_path, [(0.0, six.ljust(size, b"\0"))], snap=200)).measured["points"] == points


def test_one_frame_alone_is_no_proof(tmp_path):
    """It is a sign of several kinds at once, and may be a damaged one."""
    answers = packet(GATE, FAR, BOX, FARTHER, 53, 40000, UDP)
    assert judge(studied(tmp_path, [(0.0, answers)])).outcome == CAUTION


def answering(times: int, address: str = "192.0.2.1"):
    from tests.lab import frames as raw

    return [(1.0 + n, raw.arp(mac(GATE), address, HERE, reply_to=mac(BOX))) for n in range(times)]


@pytest.mark.parametrize(
    ("times", "address", "outcome"),
    [
        (3, "192.0.2.1", CAUTION),
        (3, "192.0.2.254", CAUTION),
        (2, "192.0.2.1", UNPROVEN),
        (3, "192.0.2.11", UNPROVEN),
    ],
)
def test_a_gateway_that_only_answers(tmp_path, times, address, outcome):
    finding = judge(studied(tmp_path, answering(times, address)))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert finding.culprits == (mac(GATE),) and "says nothing else" in finding.headline


def test_a_device_that_says_more_is_no_silent_gateway(tmp_path):
    from tests.wire.samples import bpdu

    talks = [(2.0, rtp(GATE, "233.252.0.9", 1))]
    assert judge(studied(tmp_path, answering(3), talks)).outcome == UNPROVEN
    frame = bytes(bpdu())
    port = bytes.fromhex(mac(GATE + 7).replace(":", ""))  # a switch speaks from its ports
    assert judge(studied(tmp_path, answering(3), [(2.0, frame[:6] + port + frame[12:])])).outcome == UNPROVEN


@pytest.mark.parametrize("port", [4, 10])
def test_a_port_is_no_weight(tmp_path, port):
    """Signs that are no services have no ports."""
    assert (
        judge(studied(tmp_path, [(1.0, packet(GATE, HERE, BOX, "192.0.2.32", port, 40000))])).outcome
        == UNPROVEN
    )


@pytest.mark.parametrize(
    ("to", "address"), [("01:00:5e:7c:00:01", "233.252.0.1"), (BROADCAST, "255.255.255.255")]
)
def test_what_goes_to_many_comes_by_no_gateway(tmp_path, to, address):
    """From an address of the internet, as a device has it that nobody has set up."""
    frames = [
        (0.1 * n, packet(GATE, source, to, address, protocol=UDP)) for n, source in enumerate((FAR, FARTHER))
    ]
    assert judge(studied(tmp_path, frames)).measured["points"] == 0
