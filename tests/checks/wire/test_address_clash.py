"""The address check: clashes; and failover, spares, probes, virtual routers and proxies, which are none."""

import struct
from dataclasses import replace
from pathlib import Path

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.study import study
from tests.checks.asked import asked
from tests.checks.computers import CONTROL, desk
from tests.lab import frames as raw
from tests.tally.captures import (
    BROADCAST,
    Timed,
    arp,
    broadcast,
    ethernet,
    every,
    mac,
    mirrored,
    studied,
    told,
    udp,
)
from tests.wire.routers import is_at

judge = asked("address-clash")

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
VIRTUAL_ROUTER = "00:00:5e:00:01:07"  # RFC 5798 section 7.3


def says(hardware: str, host: int, *, to: str = BROADCAST, op: int = 1, target: int | None = None, vlan: int | None = None) -> bytes:  # fmt: skip
    """`hardware` names 192.0.2.`host` as its own; 0 makes a probe for `target` (RFC 5227 section 1.1)."""
    sender = bytes([192, 0, 2, host]) if host else bytes(4)
    body = struct.pack(">HHBBH", 1, 0x0800, 6, 4, op) + bytes.fromhex(hardware.replace(":", "")) + sender
    body += bytes(6) + bytes([192, 0, 2, host if target is None else target])
    if vlan is not None:
        return ethernet(to, hardware, 0x8100, struct.pack(">HH", vlan, 0x0806) + body)
    return ethernet(to, hardware, 0x0806, body)


def at(time_s: float, frame: bytes) -> list[Timed]:
    return [(time_s, frame)]


def test_two_that_take_turns(tmp_path):
    finding = judge(studied(tmp_path, at(1, says(mac(1), 20)), at(2, says(mac(2), 20)), at(3, says(mac(1), 20))))  # fmt: skip
    assert (finding.outcome, finding.culprits) == (FAIL, (mac(1), mac(2)))
    assert "192.0.2.20 is at two devices" in finding.headline
    assert (
        [e.frame for e in finding.evidence[:2]] == [1, 2]
        and finding.cautions
        and finding.spans == ((1.0, 1.0),)
    )


def test_streams_from_one_address(tmp_path):
    """No ARP at all: both send to all from one address."""
    one = every(0.1, udp(1, "233.252.0.1", 6000, b"a"), 0, 3)
    other = every(0.1, udp(1, "233.252.0.1", 6000, b"b").replace(bytes.fromhex("00005e005301"), bytes.fromhex("00005e005302"), 1), 1, 3)  # fmt: skip
    finding = judge(studied(tmp_path, one, other))
    assert (finding.outcome, finding.culprits) == (FAIL, (mac(1), mac(2)))


def test_what_goes_to_all_twice_at_one_instant(tmp_path):
    """As a capture by the microsecond shows what comes back to back."""
    pair = at(1, udp(1, "233.252.0.1", 6000, b"a")) + at(1, udp(1, "233.252.0.1", 6000, b"b"))
    finding = judge(studied(tmp_path, pair, at(2, says(mac(2), 1)), at(3, says(mac(1), 1))))
    assert (finding.outcome, finding.culprits) == (FAIL, (mac(1), mac(2)))
    assert [(each.frame, each.time_s) for each in finding.evidence[:2]] == [(1, 0.0), (3, 1.0)]


def test_failover_and_spares(tmp_path):
    """The old one is silent when the new one says so: three quick announcements, as RFC 5227 section 2.3 has
    two."""
    old = every(0.5, says(mac(1), 20), 0, 2), every(0.1, broadcast(1, 7), 0, 2)
    new = every(0.01, says(mac(2), 20), 3, 3.03), every(0.1, broadcast(2, 8), 3, 6)
    finding = judge(studied(tmp_path, *old, *new))
    assert finding.outcome == PASS and "moved from" in told(finding)


def test_an_old_one_that_still_talks(tmp_path):
    frames = at(1, says(mac(1), 20)), at(2, says(mac(2), 20)), every(0.5, broadcast(1, 7), 0, 6)
    assert judge(studied(tmp_path, *frames)).outcome == CAUTION
    renumbered = at(2.5, says(mac(1), 21))
    assert judge(studied(tmp_path, *frames, renumbered)).outcome == PASS


def test_virtual_routers(tmp_path):
    frames = [at(n, says(who, 1)) for n, who in enumerate([mac(1), VIRTUAL_ROUTER, mac(1), VIRTUAL_ROUTER])]
    finding = judge(studied(tmp_path, *frames))
    assert finding.outcome == PASS and "virtual router" in told(finding)


def answers(hardware: str, *hosts: int, start: float = 0.0) -> list[Timed]:
    return [(start + n / 10, says(hardware, host, to=mac(9), op=2)) for n, host in enumerate(hosts)]


def test_a_proxy_for_others_that_are_not_here(tmp_path):
    finding = judge(studied(tmp_path, answers(mac(7), 100, 101, 102, 103)))
    assert finding.outcome == PASS and "answers for 4 addresses" in told(finding)


def test_a_proxy_that_answers_for_those_who_are_here(tmp_path):
    finding = judge(studied(tmp_path, answers(mac(7), 100, 101, 102, 103), every(0.5, says(mac(1), 100), 0, 2)))  # fmt: skip
    assert (finding.outcome, finding.culprits) == (CAUTION, (mac(7),)) and "proxy ARP" in finding.fixes[0]


def test_one_box_with_several_addresses(tmp_path):
    finding = judge(studied(tmp_path, *[at(n, says(mac(1), 20 + n)) for n in range(3)]))
    assert finding.outcome == PASS and "3 IPv4 addresses heard" in finding.headline


def test_a_probe_claims_nothing(tmp_path):
    probes = every(0.5, says(mac(2), 0, target=20), 0, 1.5)
    assert judge(studied(tmp_path, probes, at(2, says(mac(2), 20)))).outcome == PASS
    assert judge(studied(tmp_path, probes)).outcome == UNPROVEN


def test_a_probe_for_what_another_has(tmp_path):
    frames = at(0, says(mac(1), 20)), at(1, says(mac(2), 0, target=20)), at(1.001, says(mac(1), 20))
    finding = judge(studied(tmp_path, *frames))
    assert (finding.outcome, finding.culprits) == (CAUTION, (mac(2),))
    assert f"{mac(2)}" in finding.headline and "wants 192.0.2.20" in finding.headline


def test_a_switch_that_watches_over_all_probes_too(tmp_path):
    """Some switches probe for every device that they know, to see whether it is there."""
    here = [every(1, says(mac(n), n), 0, 5) for n in range(1, 5)]
    everyone = [at(2, says(mac(9), 0, target=n)) for n in range(1, 5)]
    assert judge(studied(tmp_path, *here, *everyone)).outcome == PASS
    alone = at(2, says(mac(9), 0, target=1, to=mac(1)))
    assert judge(studied(tmp_path, *here, alone)).outcome == PASS


def test_the_same_address_in_two_vlans(tmp_path):
    turns = [at(n, says(mac(1 + n % 2), 20, vlan=10 * (1 + n % 2))) for n in range(4)]
    assert judge(studied(tmp_path, *turns)).outcome == PASS
    one = [at(n, says(mac(1 + n % 2), 20, vlan=10)) for n in range(4)]
    assert "192.0.2.20 (VLAN 10)" in judge(studied(tmp_path, *one)).headline


def test_a_mirror_shows_a_router_from_both_sides(tmp_path):
    one = every(0.1, udp(1, "233.252.0.1", 6000, b"a"), 0, 3)
    routed = [
        (t + 1e-4, d.replace(bytes.fromhex("00005e005301"), bytes.fromhex("00005e0053fe"), 1)) for t, d in one
    ]
    facts = studied(tmp_path, mirrored(one), mirrored(routed))
    assert facts.vantage == "mirror" and judge(facts).outcome == UNPROVEN


@pytest.mark.parametrize("address", ["224.0.0.1", "255.255.255.255", "127.0.0.1", "0.0.0.1"])
def test_what_no_device_can_have(tmp_path, address):
    raw = bytes(map(int, address.split(".")))
    frames = [at(n, arp(1 + n % 2, 9).replace(bytes([192, 0, 2, 1 + n % 2]), raw)) for n in range(4)]
    assert judge(studied(tmp_path, *frames)).outcome == UNPROVEN


def test_this_computers_address_at_another(tmp_path):
    facts = studied(tmp_path, at(1, says(mac(5), 10)), every(1, broadcast(3, 1), 0, 3))
    own = desk(hardware_address="00:00:5E:00:53:AA")  # has 192.0.2.10
    finding = judge(replace(facts, host=own.host, adapter="audio"))
    assert finding.outcome == FAIL and "this computer" in told(finding) and mac(5) in finding.culprits
    alone = studied(tmp_path, at(1, says("00:00:5e:00:53:aa", 10)))
    assert judge(replace(alone, host=own.host, adapter="audio")).outcome == PASS


def test_without_a_wire():
    assert judge(Facts()) is None
    assert judge(Facts(wire_refused="no privilege")).outcome == UNPROVEN
    assert judge(Facts(source=SourceFacts("live", "eth0"))).outcome == UNPROVEN


PUBLIC = Path(__file__).parents[4] / "shared" / "public-captures"


@pytest.mark.skipif(not PUBLIC.exists(), reason="the public captures are not on this machine")
@pytest.mark.parametrize("file", ["HSRP_coup", "HSRP_election", "HSRP_failover", "vrrp"])
def test_routers_that_take_over_from_one_another(file):
    assert judge(study(str(PUBLIC / f"{file}.pcap"))).outcome == PASS


@pytest.mark.parametrize(("again_s", "outcome"), [(1.999, PASS), (2.0, PASS), (2.001, FAIL)])
def test_who_is_heard_again_after_the_other_came_clashes(tmp_path, again_s, outcome):
    frames = at(1, says(mac(1), 20)), at(again_s, says(mac(1), 20)), at(2, says(mac(2), 20))
    assert judge(studied(tmp_path, *frames)).outcome == outcome


@pytest.mark.parametrize(("last_s", "outcome"), [(3.0, PASS), (3.001, CAUTION)])
def test_how_long_the_old_one_may_talk_on(tmp_path, last_s, outcome):
    frames = at(1, says(mac(1), 20)), at(2, says(mac(2), 20)), at(last_s, broadcast(1, 7))
    finding = judge(studied(tmp_path, *frames))
    assert finding.outcome == outcome and finding.measured["clashes"] == 0
    if outcome == CAUTION:
        assert "still talks" in told(finding) and finding.spans == ((1.0, 1.0),)


@pytest.mark.parametrize(("named_s", "outcome"), [(1.999, CAUTION), (2.0, PASS)])
def test_another_address_from_then_on_means_it_was_renumbered(tmp_path, named_s, outcome):
    frames = at(1, says(mac(1), 20)), at(2, says(mac(2), 20)), at(6, broadcast(1, 7))
    assert judge(studied(tmp_path, *frames, at(named_s, says(mac(1), 21)))).outcome == outcome


@pytest.mark.parametrize(("probes", "outcome"), [(1, CAUTION), (2, CAUTION), (3, PASS)])
def test_who_probes_for_three_watches_over_others(tmp_path, probes, outcome):
    here = [every(1, says(mac(n), n), 0, 5) for n in range(1, 4)]
    wanted = [at(2, says(mac(9), 0, target=n)) for n in range(1, probes + 1)]
    finding = judge(studied(tmp_path, *here, *wanted))
    assert finding.outcome == outcome
    assert sum("probes whether" in each.text for each in finding.evidence) == (
        probes if outcome == CAUTION else 0
    )


@pytest.mark.parametrize(("probe_s", "outcome"), [(1.0, CAUTION), (1.001, PASS)])
def test_a_probe_counts_while_the_holder_is_heard(tmp_path, probe_s, outcome):
    frames = at(0, says(mac(1), 20)), at(1, says(mac(1), 20)), at(probe_s, says(mac(2), 0, target=20))
    finding = judge(studied(tmp_path, *frames, at(2, broadcast(3, 1))))
    assert finding.outcome == outcome


def test_link_local_addresses_are_found_by_probes(tmp_path):
    here, there = bytes([192, 0, 2]), bytes([169, 254, 2])
    frames = (says(mac(1), 20), says(mac(2), 0, target=20), says(mac(1), 20))
    moved = [at(n, frame.replace(here, there)) for n, frame in enumerate(frames)]
    assert judge(studied(tmp_path, *moved)).outcome == PASS


@pytest.mark.parametrize(("others", "outcome"), [(2, FAIL), (3, CAUTION)])
def test_who_answers_for_four_is_a_proxy(tmp_path, others, outcome):
    hosts = range(100, 101 + others)
    finding = judge(
        studied(tmp_path, answers(mac(7), *hosts, start=0.3), every(0.5, says(mac(1), 100), 0, 2))
    )
    assert finding.outcome == outcome and finding.measured["proxies"] == (
        [mac(7)] if outcome == CAUTION else []
    )


def test_questions_make_no_proxy(tmp_path):
    asks = [at(n / 10, says(mac(7), 100 + n)) for n in range(4)]
    assert judge(studied(tmp_path, *asks)).measured["proxies"] == []


@pytest.mark.parametrize(("frames", "outcome"), [(1, UNPROVEN), (2, PASS)])
def test_what_goes_to_all_twice_names_its_sender(tmp_path, frames, outcome):
    finding = judge(studied(tmp_path, every(1, udp(1, "233.252.0.1", 6000, b"a"), 0, frames)))
    assert finding.outcome == outcome and finding.measured["addresses"] == frames - 1


def test_unicast_may_have_come_by_a_router(tmp_path):
    assert (
        judge(studied(tmp_path, every(1, udp(1, "192.0.2.9", 6000, b"a", mac(9)), 0, 5))).outcome == UNPROVEN
    )


def test_the_gravest_comes_first_and_a_virtual_router_beside_it(tmp_path):
    wants = at(0, says(mac(1), 30)), at(0.5, says(mac(9), 0, target=30)), at(4, says(mac(1), 30))
    clash = [at(n, says(mac(2 + n % 2), 20)) for n in range(1, 4)]
    shared = [at(n, says(who, 1)) for n, who in enumerate([mac(1), VIRTUAL_ROUTER])]
    finding = judge(studied(tmp_path, *wants, *clash, *shared))
    assert finding.outcome == FAIL and set(finding.culprits) == {mac(2), mac(3)}
    assert "wants 192.0.2.30" in told(finding) and finding.evidence[-1].text.startswith(
        "192.0.2.1 belongs to"
    )


def test_two_adapters_of_this_computer_are_no_clash(tmp_path):
    """The addressing check tells of them."""
    facts = studied(tmp_path, [f for n in range(4) for f in at(n, says(mac(5 + n % 2), 10))])
    assert judge(facts).outcome == FAIL
    own = desk(replace(CONTROL, hardware_address=mac(6)), hardware_address=mac(5))
    assert judge(replace(facts, host=own.host, adapter="audio")).outcome == PASS


def test_a_group_is_no_device(tmp_path):
    group = "03:00:5e:00:53:01"
    frames = [at(n, says(group if n % 2 else mac(1), 20)) for n in range(4)]
    assert judge(studied(tmp_path, *frames)).outcome == PASS


@pytest.mark.parametrize(
    ("back_s", "op", "target", "outcome"),
    [
        (5.1, 1, None, PASS),  # announced, and kept for a while each time
        (4.9, 1, None, FAIL),  # so soon: both want it
        (5.1, 2, 30, FAIL),  # an answer is no announcement: it never let go
    ],
)
def test_an_address_may_move_to_a_spare_and_back(tmp_path, back_s, op, target, outcome):
    """Announcements: RFC 5227 section 3. The spare takes it at 3 s."""
    first = at(1, says(mac(1), 20)) + at(back_s, says(mac(1), 20, op=op, target=target))
    finding = judge(studied(tmp_path, first, at(3, says(mac(2), 20))))
    assert finding.outcome == outcome
    if outcome == PASS:
        assert "moved between" in told(finding)


def test_it_moves_from_one_to_the_other_and_not_while_one_repeats_itself(tmp_path):
    """Each announces itself twice in a second: the first move is at 3 s, the next one at 6 s."""
    one = every(1, says(mac(1), 20), 0, 2) + every(1, says(mac(1), 20), 6, 8)
    finding = judge(studied(tmp_path, one, every(1, says(mac(2), 20), 3, 5)))
    assert finding.outcome == PASS and "moved between" in told(finding)


def flipped(device: str, host: int, op: int = 1) -> bytes:
    return says(device, host, op=op, target=99)


# Operations that do not exist: bits were flipped in this capture.
DAMAGE = [(0.5, flipped(mac(7), 60, 0x7501)), (0.6, flipped(mac(8), 61, 0x3701))]


def test_damaged_copies_are_no_devices(tmp_path):
    """Each names an address that is another's, once: with a byte of the sender or of the address flipped."""
    frames = [(1.0 + n, says(mac(1), 20)) for n in range(12)] + [
        (1.1 + n, says(mac(2), 21)) for n in range(12)
    ]
    odd = [(3.3, flipped("00:00:5e:77:53:01", 20)), (5.3, flipped(mac(2), 20)), (7.3, flipped(mac(1), 21))]
    assert judge(studied(tmp_path, frames, odd)).outcome == FAIL  # nothing says that these are damaged
    assert judge(studied(tmp_path, frames, odd, DAMAGE)).outcome == PASS


def test_a_clash_is_one_in_a_damaged_capture_too(tmp_path):
    frames = [(1.0 + n, says(mac(1 + n % 2), 20)) for n in range(12)]
    finding = judge(studied(tmp_path, frames, DAMAGE))
    assert (finding.outcome, finding.culprits) == (FAIL, (mac(1), mac(2)))


def test_five_with_one_address_out_of_the_box_are_a_clash(tmp_path):
    """One is asked for all the time, the others tell it when they start."""
    frames = [(0.2 * n, says(mac(1), 20)) for n in range(60)]
    others = [(2.05 + n + k, says(mac(2 + n), 20)) for n in range(4) for k in (0.0, 1.0)]
    assert judge(studied(tmp_path, frames, others)).outcome == FAIL


def asks_for(host: int, target: int, hardware: str = mac(1)) -> bytes:
    return says(hardware, host, target=target)


@pytest.mark.parametrize(
    ("frames", "outcome"),
    [
        ([says(mac(1), 20), says(mac(1), 21), asks_for(20, 21), says(mac(1), 21)], FAIL),
        (
            [says(mac(1), 20), asks_for(20, 21), says(mac(1), 21)],
            PASS,
        ),  # it took the address after it had asked
        ([says(mac(1), 21), asks_for(20, 21), says(mac(1), 21)], PASS),  # a bit may have been flipped
        ([says(mac(1), 20), says(mac(1), 21), asks_for(20, 21)], PASS),  # it may have given it up
        ([says(mac(1), 20), says(mac(1), 21), asks_for(20, 22), says(mac(1), 21)], PASS),
        ([says(mac(1), 20), says(mac(1), 21), asks_for(21, 21), says(mac(1), 21)], PASS),
    ],
)
def test_who_asks_for_itself_is_two_devices(tmp_path, frames, outcome):
    finding = judge(studied(tmp_path, *(at(1 + n, frame) for n, frame in enumerate(frames))))
    assert finding.outcome == outcome
    if outcome == FAIL:
        assert finding.culprits == (mac(1),) and "Two devices have one hardware address" in finding.headline
        assert "192.0.2.20 and 192.0.2.21" in finding.headline
        assert [(each.frame, each.time_s) for each in finding.evidence] == [(3, 2.0), (2, 1.0)]
        assert finding.spans == ((1.0, 3.0),)


@pytest.mark.parametrize(
    ("turns", "outcome"),
    [
        ([(11, "foh"), (12, "stage"), (11, "foh")], CAUTION),
        ([(11, "foh"), (12, "stage"), (12, "stage")], PASS),  # it was renamed and readdressed
        ([(11, "foh"), (12, "foh"), (11, "foh")], PASS),  # one name, several addresses
        ([(11, "foh"), (11, "stage"), (11, "foh")], PASS),  # two names of one
    ],
)
def test_two_names_in_turn_may_be_two_devices(tmp_path, turns, outcome):
    from tests.checks.wire.test_name_clash import ip, mdns

    def said(host: int, name: str, time_s: float) -> Timed:
        _, frame = mdns(host, name, time_s)
        return time_s, frame[:6] + bytes.fromhex(mac(77).replace(":", "")) + frame[12:]

    finding = judge(studied(tmp_path, [said(host, name, 1.0 + n) for n, (host, name) in enumerate(turns)]))
    assert finding.outcome == outcome
    if outcome == CAUTION:
        assert finding.culprits == (mac(77),) and ip(11) in told(finding) and ip(12) in told(finding)


def test_six_of_many_are_shown_and_all_are_culprits(tmp_path):
    turns = [at(1 + n / 10, says(mac(1 + n % 8), 20)) for n in range(24)]
    finding = judge(studied(tmp_path, *turns))
    assert finding.headline.startswith("192.0.2.20 is at 8 devices: ")
    assert len(finding.evidence) == 6 and finding.culprits == tuple(mac(n) for n in range(1, 9))
    assert finding.measured == {"addresses": 1, "clashes": 1, "proxies": []}
    assert finding.spans == ((pytest.approx(0.1), pytest.approx(1.6)),)


def test_clashes_come_in_the_order_of_their_times(tmp_path):
    one = [at(3 + n, says(mac(1 + n % 2), 20)) for n in range(4)]
    other = [at(1 + n, says(mac(3 + n % 2), 30)) for n in range(4)]
    finding = judge(studied(tmp_path, *one, *other))
    assert finding.headline.startswith("192.0.2.30 is at two devices") and finding.measured["clashes"] == 2


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ([(1, 1), (2, 4), (1, 7)], PASS),
        ([(1, 1), (2, 4), (1, 5.9)], FAIL),  # the spare kept it for less than two seconds
        ([(1, 1), (2, 1.5), (1, 7), (2, 10)], PASS),
        ([(1, 1), (2, 4), (1, 7), (2, 8.9)], FAIL),
    ],
)
def test_each_has_to_keep_it_for_two_seconds(tmp_path, changes, outcome):
    frames = [at(time_s, says(mac(who), 20)) for who, time_s in changes]
    assert judge(studied(tmp_path, *frames)).outcome == outcome


@pytest.mark.parametrize(
    ("talks", "outcome"), [(mac(1), CAUTION), (mac(3), PASS), ("00:00:5e:00:52:ff", PASS)]
)
def test_only_the_old_ones_own_frames_show_that_it_is_still_there(tmp_path, talks, outcome):
    raw = ethernet(BROADCAST, talks, 0x88B5, bytes(46))
    frames = at(1, says(mac(1), 20)), at(2, says(mac(2), 20)), every(0.5, raw, 0, 6)
    assert judge(studied(tmp_path, *frames)).outcome == outcome


def test_a_probe_is_shown_with_its_frame_and_the_holder_with_its_last_word(tmp_path):
    frames = at(0, says(mac(1), 20)), at(1, says(mac(2), 0, target=20)), at(1.5, says(mac(1), 20))
    finding = judge(studied(tmp_path, *frames))
    assert [(each.frame, each.time_s) for each in finding.evidence] == [(2, 1.0), (None, 1.5)]
    assert finding.spans == ((1.0, 1.5),)


SIX = "2001:db8::14"


def test_one_ipv6_address_at_two_devices(tmp_path):
    """Both answer for it, to whoever asks."""
    frames = [(float(n), is_at(SIX, mac(1 + n % 2))) for n in range(4)]
    finding = judge(studied(tmp_path, frames))
    assert (finding.outcome, finding.culprits) == (FAIL, (mac(1), mac(2)))
    assert f"{SIX} is at two devices" in finding.headline
    assert judge(studied(tmp_path, frames[::2])).outcome is PASS


@pytest.mark.parametrize(("solicited", "outcome"), [(0, PASS), (1, FAIL)])
def test_an_ipv6_address_may_move_to_a_spare_and_back(tmp_path, solicited, outcome):
    """Each says so unasked (RFC 4861 section 7.2.6). Who answers by turns has it as well."""
    frames = [(3.0 * n, is_at(SIX, mac(1 + n % 2), S=solicited)) for n in range(4)]
    assert judge(studied(tmp_path, frames)).outcome is outcome


@pytest.mark.parametrize(("named_s", "outcome"), [(1.9, CAUTION), (2.1, PASS)])
def test_another_ipv6_address_means_it_was_renumbered(tmp_path, named_s, outcome):
    frames = at(1, is_at(SIX, mac(1))), at(2, is_at(SIX, mac(2))), every(0.5, broadcast(1, 7), 0, 6)
    assert judge(studied(tmp_path, *frames, at(named_s, is_at("2001:db8::15", mac(1))))).outcome is outcome


def test_routers_that_share_an_ipv6_address(tmp_path):
    """RFC 5798 section 7.3 has a hardware address for that."""
    frames = [(float(n), is_at("fe80::1", (mac(1), "00:00:5e:00:02:07")[n % 2])) for n in range(4)]
    finding = judge(studied(tmp_path, frames))
    assert finding.outcome is PASS and "virtual router" in told(finding)


def test_a_device_has_many_ipv6_addresses(tmp_path):
    """One of the link, one for good, some for a day (RFC 8981): it answers for all of them, and is no
    proxy."""
    frames = [(float(n), is_at(f"2001:db8::{n + 1}", mac(1))) for n in range(6)]
    finding = judge(studied(tmp_path, frames, at(7, says(mac(2), 20))))
    assert finding.outcome is PASS and not finding.measured["proxies"]
    assert "1 IPv4 address and 6 IPv6 addresses heard" in finding.headline


def test_an_ipv6_address_in_two_vlans_is_at_one_device_in_each(tmp_path):
    frames = [(float(n), raw.tagged(is_at("fe80::1", mac(1 + n % 2)), 10 + n % 2)) for n in range(4)]
    assert judge(studied(tmp_path, frames)).outcome is PASS
