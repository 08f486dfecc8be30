"""One IPv4 plan for all: what is apart for certain, what is not, and who is the odd one."""

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.lab import frames as raw
from tests.tally.captures import Timed, mac, rtp, studied, told

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
judge = asked("one-subnet")


def says(device: int, address: str, asks: str = "192.0.2.254") -> Timed:
    return device / 10, raw.arp(mac(device), address, asks)


def to_all(device: int, address: str, to: str) -> Timed:
    return device / 10, raw.udp(mac(device), "ff:ff:ff:ff:ff:ff", (address, 7000), (to, 7000), b"here")


PLAN = [says(n, f"192.0.2.{n}") for n in (1, 2, 3)]


def test_all_in_one_plan(tmp_path):
    finding = judge(studied(tmp_path, PLAN))
    assert (finding.outcome, finding.headline) == (
        PASS,
        "3 devices with IPv4 addresses, all in one plan (192.0.0.0/16).",
    )


def test_one_device_proves_nothing(tmp_path):
    assert judge(studied(tmp_path, PLAN[:1])).outcome == UNPROVEN
    assert judge(Facts()) is None


@pytest.mark.parametrize(
    ("odd", "outcome", "words"),
    [
        ([says(9, "169.254.7.7", "169.254.7.1")], FAIL, "has fallen back to a link-local address"),
        ([says(9, "198.51.100.9", "198.51.100.1")], CAUTION, "is in another subnet than the others"),
        ([says(n, f"198.51.100.{n}", "198.51.100.1") for n in (8, 9)], FAIL, "2 devices have other "
                                                                             "addresses"),
        ([says(9, "198.51.100.9", "198.51.100.1"), *((2 + n / 1000, rtp(9, "233.252.0.9", n)) for n in range(40))], PASS, ""),
    ],
)  # fmt: skip
def test_who_is_apart(tmp_path, odd, outcome, words):
    """The last one has an address of the plan as well: its stream is sent from that."""
    finding = judge(studied(tmp_path, PLAN, odd))
    assert finding.outcome == outcome and words in finding.headline
    if outcome != PASS:
        assert mac(9) in finding.culprits and mac(1) not in finding.culprits
        assert "in 192.0.0.0/16" in told(finding) and finding.fixes and finding.cautions


def test_the_odd_one_may_be_the_one_with_a_fixed_address(tmp_path):
    boxes = [says(n, f"169.254.7.{n}", "169.254.7.1") for n in (4, 5, 6)]
    finding = judge(studied(tmp_path, boxes, [says(9, "192.0.2.9")]))
    assert finding.outcome == FAIL and finding.culprits == (mac(9),)


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        ("10.1.0.1", "10.200.0.1", False),  # one /8
        ("172.16.0.1", "172.31.0.1", False),  # one /12
        ("172.16.0.1", "172.32.0.1", True),
        ("192.168.1.1", "192.168.2.1", False),  # one /16
        ("192.168.1.1", "192.169.1.1", True),
        ("10.1.0.1", "192.168.1.1", True),
    ],
)
def test_only_what_no_mask_in_use_joins_is_apart(tmp_path, one, other, apart):
    """Blocks for private use: RFC 1918."""
    frames = [says(n, one[:-1] + str(n), one[:-1] + "99") for n in (1, 2)]
    frames += [says(n, other[:-1] + str(n), other[:-1] + "99") for n in (3, 4, 5)]
    assert (judge(studied(tmp_path, frames)).outcome == FAIL) == apart


def test_who_is_asked_for_by_arp_is_a_neighbour(tmp_path):
    """A mask shorter than anybody would guess."""
    frames = [says(n, f"203.0.113.{n}", "192.0.2.1") for n in (7, 8)]
    assert judge(studied(tmp_path, PLAN, frames)).outcome == PASS


def test_different_masks_are_told_by_broadcasts_to_the_subnet(tmp_path):
    same = [to_all(n, f"192.0.2.{n}", "192.0.2.255") for n in (4, 5)]
    assert judge(studied(tmp_path, PLAN, same)).outcome == PASS
    finding = judge(studied(tmp_path, PLAN, same, [to_all(9, "192.0.2.9", "192.0.2.127")]))
    assert finding.outcome == FAIL and "reckons with the mask /25, others with /24" in finding.headline
    assert finding.culprits == (mac(9),)
    finding = judge(studied(tmp_path, PLAN, same[:1], [to_all(9, "192.0.2.9", "192.0.2.127")]))
    assert finding.outcome == CAUTION  # one against one


def test_broadcasts_to_everybody_tell_no_mask(tmp_path):
    frames = [to_all(n, f"192.0.2.{n}", "255.255.255.255") for n in (4, 5)]
    assert judge(studied(tmp_path, PLAN, frames)).outcome == PASS


def test_addresses_in_a_tagged_vlan_are_another_networks(tmp_path):
    frames = [
        (1 + n / 10, raw.tagged(raw.arp(mac(n), f"198.51.100.{n}", "198.51.100.1"), 20)) for n in (7, 8)
    ]
    assert judge(studied(tmp_path, PLAN, frames)).outcome == PASS


def test_a_plan_goes_by_the_name_that_most_devices_bear(tmp_path):
    """One mask joins them: the first to ask is alone in its block."""
    lone = [(0.0, raw.arp(mac(9), "198.51.100.9", "192.0.2.1"))]
    assert "all in one plan (192.0.0.0/16)" in judge(studied(tmp_path, lone, PLAN)).headline


def test_one_frame_of_a_damaged_capture_is_no_device(tmp_path):
    damage = [(1.0 + n, raw.arp(mac(5 + n), "192.0.2.50", "192.0.2.1")) for n in (0, 1)]
    damage = [(at, data[:20] + b"\x75\x01" + data[22:]) for at, data in damage]
    odd = [(2.0, raw.arp(mac(1), "24.0.2.1", "24.0.2.9"))]
    twice = [(at + 3, data) for at, data in PLAN] + PLAN
    lone = [(2.5, raw.arp(mac(8), "24.0.2.1", "24.0.2.9"))]
    assert judge(studied(tmp_path, twice, odd, lone, damage)).outcome == PASS
    assert judge(studied(tmp_path, twice, lone)).outcome == CAUTION
    assert (
        judge(studied(tmp_path, twice, lone, [(at + 1, data) for at, data in lone], damage)).outcome
        == CAUTION
    )


def test_broadcasts_by_unicast_or_without_an_address_tell_no_mask(tmp_path):
    """A datagram for the subnet that was sent to one device, and one of who has no address yet."""
    same = [to_all(n, f"192.0.2.{n}", "192.0.2.255") for n in (4, 5)]
    alone = (2.0, raw.udp(mac(9), mac(1), ("192.0.2.9", 7000), ("192.0.2.127", 7000), b"here"))
    nobody = (2.1, raw.udp(mac(8), "ff:ff:ff:ff:ff:ff", ("0.0.0.0", 7000), ("192.0.2.127", 7000), b"here"))
    assert judge(studied(tmp_path, PLAN, same, [alone, nobody])).outcome == PASS


@pytest.mark.parametrize(
    ("to", "mask"),
    [
        ("192.0.2.11", 30),
        ("192.0.2.15", 28),
        ("192.0.255.255", 16),
        ("192.255.255.255", 8),
        ("193.255.255.255", 24),
    ],
)
def test_masks_from_8_to_30_bits(tmp_path, to, mask):
    """The last one is the broadcast address of no subnet that its sender can be in."""
    same = [to_all(n, f"192.0.2.{n}", "192.0.2.255") for n in (4, 5)]
    finding = judge(studied(tmp_path, PLAN, same, [to_all(9, "192.0.2.9", to)]))
    assert finding.outcome == (PASS if mask == 24 else FAIL)
    assert (f"reckons with the mask /{mask}, others with /24" in finding.headline) is (mask != 24)


def test_the_figures_and_who_is_shown(tmp_path):
    """Of many strays six are shown and sixteen are culprits; of the others three."""
    strays = [says(n, f"198.51.100.{n}", "198.51.100.1") for n in range(100, 120)]
    home = [says(n, f"192.0.2.{n}") for n in range(1, 30)]
    finding = judge(studied(tmp_path, home, strays))
    assert finding.measured == {"devices": 49, "plans": ["192.0.0.0/16", "198.51.0.0/16"]}
    assert finding.headline.startswith(
        "20 devices have other addresses (198.51.0.0/16) than most (192.0.0.0/16): "
    )
    assert len(finding.culprits) == 16 and len(finding.evidence) == 6 + 1
    last = finding.evidence[-1].text
    assert last.startswith("in 192.0.0.0/16: ") and last.count("192.0.2.") == 3
    assert finding.evidence[0].frame and finding.evidence[0].time_s > 9


def test_one_stray_that_plays_is_graver(tmp_path):
    """Its stream has no address of the plan."""
    media = [
        (2 + n / 1000, rtp(9, "233.252.0.9", n).replace(bytes([192, 0, 2, 9]), bytes([198, 51, 100, 9]), 1))
        for n in range(300)
    ]
    finding = judge(studied(tmp_path, PLAN, [says(9, "198.51.100.9", "198.51.100.1")], media))
    assert finding.outcome == FAIL and finding.culprits == (mac(9),)


def test_the_masks_are_shown_by_three_of_each(tmp_path):
    same = [to_all(n, f"192.0.2.{n}", "192.0.2.255") for n in range(4, 9)]
    odd = [to_all(n, f"192.0.2.{n}", "192.0.2.127") for n in range(20, 24)]
    finding = judge(studied(tmp_path, PLAN, same, odd))
    assert finding.outcome == FAIL and set(finding.culprits) == {mac(n) for n in range(20, 24)}
    assert sum("sends to all of 192.0.2.0/25 (192.0.2.127)" in each.text for each in finding.evidence) == 3
    assert sum("sends to all of 192.0.2.0/24 (192.0.2.255)" in each.text for each in finding.evidence) == 3
    apart = [to_all(30, "198.51.100.30", "198.51.100.127")]
    assert "reckons" not in told(judge(studied(tmp_path, PLAN, same, apart))), (
        "another network has its own mask"
    )


@pytest.mark.parametrize(("strays", "outcome"), [(1, CAUTION), (2, FAIL)])
def test_two_strays_are_graver_than_one(tmp_path, strays, outcome):
    frames = [says(n, f"198.51.100.{n}", "198.51.100.1") for n in range(8, 8 + strays)]
    assert judge(studied(tmp_path, PLAN, frames)).outcome == outcome
