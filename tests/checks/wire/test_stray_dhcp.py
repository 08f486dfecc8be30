"""The stray DHCP check: what proves a server, what proves that there is none, and what proves nothing."""

from dataclasses import replace

import pytest

from preflight import wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Outcome
from preflight.checks.step import fitting
from preflight.checks.wire.stray_dhcp import CHECK
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.tally.tally import Tally
from preflight.wire.dhcp4 import Dhcp4Message
from tests.checks.asked import asked
from tests.lab.frames import igmp_query
from tests.rig import shows
from tests.tally.captures import broadcast, every, studied, udp
from tests.wire import samples
from tests.wire.samples import SERVER, SERVER_IP, STATION, picked

judge = asked("stray-dhcp")

OTHER = "00:00:5e:00:53:43"
EMPTY = Tally().facts()


def heard(*frames, duration_s: float = 30.0, vantage="access port", dropped=None) -> Facts:
    """Facts of frames given as (kind, time, frame) or (kind, time, frame, how it was captured), beside an
    empty tally."""
    facts: dict[type, tuple] = {}
    for number, (kind, time_s, frame, *how) in enumerate(frames, start=1):
        fact = wire.read(kind, picked(frame, number, time_s, **(how[0] if how else {})))
        facts[type(fact)] = (*facts.get(type(fact), ()), fact)
    source = SourceFacts("capture", "test.pcap", frames=100, duration_s=duration_s, dropped=dropped)
    return Facts(source=source, tally=EMPTY, wire=facts, vantage=vantage)


def discovers(*times: float, **more) -> list:
    return [("dhcp4", at, samples.dhcp4("discover", **more)) for at in times]


def request(server: str = SERVER_IP, **more):
    return samples.dhcp4("request", server_id=server, requested_addr="192.0.2.111", **more)


def shown(finding) -> str:
    return " ".join(each.text for each in finding.evidence)


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (samples.offer(), ("OFFER", "192.0.2.111", "255.255.255.0", "gateway 192.0.2.1", "3600 s")),
        (samples.dhcp4("ack", src=SERVER, server_id=SERVER_IP), ("ACK",)),
        (samples.dhcp4("nak", src=SERVER, server_id=SERVER_IP), ("NAK",)),
        (samples.offer(giaddr="198.51.100.1"), ("relay 198.51.100.1",)),
    ],
)
def test_a_server_message_fails_and_says_what_it_hands_out(frame, words):
    finding = judge(heard(("dhcp4", 0.5, frame)))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (SERVER,))
    assert all(word in shown(finding) for word in words)
    assert finding.evidence[0].frame == 1 and finding.evidence[0].time_s == 0.5
    assert SERVER in finding.headline and finding.cautions


def test_a_reply_cut_short_is_a_server():
    frame = bytes(samples.offer())[:256]
    finding = judge(heard(("dhcp4", 0.5, frame, {"cut": True})))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (SERVER,))


def test_ipv6_servers():
    finding = judge(heard(("dhcp6", 0.0, samples.solicit()), ("dhcp6", 0.1, samples.advertise())))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (SERVER,))
    assert "2001:db8::111" in shown(finding)
    finding = judge(heard(("dhcp6", 0.1, samples.request6())))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (SERVER,))
    assert finding.headline.count(SERVER) == 1


def test_an_ipv6_server_heard_and_named_is_one():
    finding = judge(heard(("dhcp6", 0.1, samples.advertise()), ("dhcp6", 0.2, samples.request6())))
    assert finding.measured["servers"] == 1 and "did not come by" not in shown(finding)


def test_two_servers_and_their_copies_on_a_mirror():
    first, second = samples.offer(), samples.offer(OTHER, server_id="192.0.2.67")
    answers = [("dhcp4", at, frame) for at, frame in ((1, first), (1, first), (1.1, second), (1.1, second))]
    finding = judge(heard(*answers, vantage="mirror"))
    assert finding.culprits == (SERVER, OTHER) and finding.measured["servers"] == 2
    assert finding.headline.startswith(f"2 DHCP servers are on this network: ICANN 53:42 ({SERVER}")
    assert OTHER in finding.headline
    assert [each.frame for each in finding.evidence if each.frame] == [1, 3]
    once = judge(heard(*answers[:2], ("dhcp4", 1.2, request()), vantage="mirror"))
    assert once.culprits == (SERVER,)


@pytest.mark.parametrize(("others", "first"), [((), True), ((OTHER,), False)])
def test_who_is_the_only_querier_too_is_not_unplugged_before_another_asks(others, first):
    asks = [("igmp", at, igmp_query(mac, SERVER_IP)) for at, mac in enumerate((SERVER, *others))]
    steps = judge(heard(("dhcp4", 0.5, samples.offer()), *asks)).fixes
    another = [n for n, step in enumerate(steps) if "turn a querier on" in step]
    assert bool(another) == first
    assert not first or another[0] < next(
        n for n, step in enumerate(steps) if step.lower().startswith("unplug")
    )


def test_a_client_names_the_server_whose_offer_did_not_come_by():
    finding = judge(heard(*discovers(0), ("dhcp4", 1, request())))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (SERVER_IP,))
    assert "did not come by" in shown(finding) and SERVER_IP in finding.headline
    assert "takes an offer of 192.0.2.111 from the server" in shown(finding)
    assert "arp -a" in finding.fixes[0]
    resolved = judge(heard(("arp", 0, samples.VALID["arp"][0]), ("dhcp4", 1, request())))
    assert resolved.culprits == (SERVER,) and resolved.fixes == fitting(CHECK.steps, None)


@pytest.mark.parametrize(
    "frame",
    [
        samples.dhcp4("request", requested_addr="192.0.2.111"),  # INIT-REBOOT
        samples.dhcp4("inform", ciaddr="192.0.2.9"),
        request(ciaddr="192.0.2.111"),  # renews a lease of whenever
        samples.dhcp4("release", ciaddr="192.0.2.111", server_id=SERVER_IP),
    ],
)
def test_what_clients_say_of_the_past_proves_nothing(frame):
    finding = judge(heard(("dhcp4", 0, frame)))
    assert finding.outcome == Outcome.UNPROVEN and finding.fixes == (CHECK.unproven,)


def test_this_computers_own_server_is_called_so():
    finding = judge(heard(("dhcp4", 0, samples.offer(), {"outgoing": True})))
    assert finding.outcome == Outcome.FAIL and "This computer itself" in finding.headline
    assert "sharing" in finding.fixes[0]


@pytest.mark.parametrize(
    ("frames", "how", "outcome"),
    [
        # Asks again and again, as one does that gets no answer: RFC 2131 section 4.1.
        (discovers(0, 4, 12), {}, Outcome.PASS),
        (discovers(0, 4, 12), {"duration_s": 12.0}, Outcome.PASS),
        (discovers(0, 4, 8), {}, Outcome.PASS),
        (discovers(0, 4, 7.9), {}, Outcome.UNPROVEN),
        (discovers(0, 4), {}, Outcome.UNPROVEN),
        (discovers(0, 12), {}, Outcome.UNPROVEN),
        (discovers(5, 6, 7), {}, Outcome.UNPROVEN),
        (discovers(0, 0.5, 12), {}, Outcome.PASS),
        (discovers(0, 0.4, 12), {}, Outcome.UNPROVEN),  # a copy
        (discovers(0, 1, 2, 3), {}, Outcome.UNPROVEN),
        (discovers(0) + discovers(4, client=OTHER) + discovers(12, client=STATION), {}, Outcome.UNPROVEN),
        (discovers(0, 0, 12, 12), {}, Outcome.UNPROVEN),  # each copied by a mirror
        # An answer would have been seen.
        (discovers(0, flags=0x8000), {"duration_s": 4.0}, Outcome.PASS),
        (discovers(0, flags=0x8000), {"duration_s": 3.9}, Outcome.UNPROVEN),
        (discovers(0, flags=0x8000), {"dropped": 7}, Outcome.UNPROVEN),
        (discovers(0), {"vantage": "mirror"}, Outcome.PASS),
        (discovers(0), {}, Outcome.UNPROVEN),
        ([("dhcp4", 0, samples.dhcp4("discover"), {"outgoing": True})], {}, Outcome.PASS),
        # Of another network, passed on by a relay.
        (discovers(0, 4, 12, flags=0x8000, giaddr="198.51.100.1"), {}, Outcome.UNPROVEN),
        # Went on to request after all.
        (
            [*discovers(0, 4, 12, flags=0x8000), ("dhcp4", 13, samples.dhcp4("request"))],
            {},
            Outcome.UNPROVEN,
        ),
        # Asks anew, later on, and is ignored.
        (
            [*discovers(0), ("dhcp4", 1, samples.dhcp4("request")), *discovers(2, 6, 10)],
            {},
            Outcome.PASS,
        ),
        # IPv6 alone says nothing of IPv4.
        ([("dhcp6", at, samples.solicit()) for at in (0, 4, 12)], {}, Outcome.UNPROVEN),
        # Cut before the message's type.
        (
            [
                ("dhcp4", at, bytes(samples.dhcp4("discover", flags=0x8000))[:256], {"cut": True})
                for at in (0, 4, 12)
            ],
            {},
            Outcome.UNPROVEN,
        ),
        ([], {}, Outcome.UNPROVEN),
    ],
)
def test_when_silence_is_proof(frames, how, outcome):
    assert judge(heard(*frames, **how)).outcome == outcome


def test_an_answer_that_could_not_be_read_is_not_silence():
    facts = heard(*discovers(0, flags=0x8000))
    broken = wire.Malformed("dhcp4", facts.heard(Dhcp4Message)[0].seen)
    assert judge(replace(facts, wire={**facts.wire, wire.Malformed: (broken,)})).outcome == Outcome.UNPROVEN


def test_ipv6_silence_is_told():
    finding = judge(heard(*[("dhcp6", at, samples.solicit()) for at in (0, 4, 12)]))
    assert "over IPv6" in finding.headline and "IPv4" in finding.headline


def test_without_a_wire():
    assert judge(Facts()) is None
    assert judge(Facts(wire_refused="no privilege")).outcome == Outcome.UNPROVEN
    assert judge(Facts(source=SourceFacts("live", "eth0"))).outcome == Outcome.UNPROVEN


def after_hole(start: float, end: float, until: float = 20.0) -> list:
    """Frames of others every quarter of a second, but for the time from `start` to `end`."""
    return every(0.25, broadcast(9, 1), 0, start + 0.25) + every(0.25, broadcast(9, 2), end, until)


def timed(frames: list) -> list:
    return [(at, bytes(frame)) for _, at, frame in frames]


@pytest.mark.parametrize(
    ("start", "end", "outcome"),
    [
        (5.0, 5.25, Outcome.PASS),
        (5.0, 9.0, Outcome.PASS),  # eight seconds of its asking were listened to
        (5.0, 9.25, Outcome.UNPROVEN),
        (13.0, 18.0, Outcome.PASS),  # after it had asked
    ],
)
def test_time_in_a_hole_is_no_time_of_asking(tmp_path, start, end, outcome):
    assert (
        judge(studied(tmp_path, after_hole(start, end), timed(discovers(0.1, 4.1, 12.1)))).outcome == outcome
    )


@pytest.mark.parametrize(
    ("start", "end", "outcome"),
    [
        (1.5, 2.0, Outcome.UNPROVEN),  # the answer may have come then
        (1.5, 1.75, Outcome.PASS),
        (4.75, 9.0, Outcome.PASS),  # 0.35 s of the time for an answer
        (4.25, 9.0, Outcome.UNPROVEN),
        (0.25, 1.25, Outcome.PASS),
    ],
)
def test_no_answer_comes_to_light_in_a_hole(tmp_path, start, end, outcome):
    asks = timed(discovers(1.1, flags=0x8000))
    assert judge(studied(tmp_path, after_hole(start, end), asks)).outcome == outcome


def test_who_is_ignored_proves_nothing_where_a_server_spoke_to_another(tmp_path):
    """Neither where the server's word was read, nor where it was too damaged for that."""
    ignored = timed(discovers(0, 4, 12))
    assert judge(studied(tmp_path, after_hole(0, 0.25), ignored)).outcome == Outcome.PASS
    answer = [(6.0, bytes(samples.offer(client=OTHER)))]
    assert judge(studied(tmp_path, after_hole(0, 0.25), ignored, answer)).outcome == Outcome.FAIL
    for port in (68, 546):
        damaged = [(6.0, udp(0x42, "192.0.2.9", port, b"damaged", OTHER))]
        finding = judge(studied(tmp_path, after_hole(0, 0.25), ignored, damaged))
        assert finding.outcome == Outcome.UNPROVEN and "could not be read" in finding.headline
        assert finding.evidence[0].time_s == 6.0 and "00:00:5e:00:53:42" in shown(finding)
    to_servers = [(6.0, udp(0x42, "192.0.2.9", 67, b"damaged", OTHER))]
    assert judge(studied(tmp_path, after_hole(0, 0.25), ignored, to_servers)).outcome == Outcome.PASS


def test_a_decline_names_the_server_too():
    for kind in ("dhcp4", "decline"), ("dhcp4", "request"):
        frame = samples.dhcp4(kind[1], server_id=SERVER_IP, requested_addr="192.0.2.111")
        assert judge(heard((kind[0], 1, frame))).culprits == (SERVER_IP,)


def test_this_computers_server_and_a_stray_one_each_have_their_fix():
    own = ("dhcp4", 0, samples.offer(), {"outgoing": True})
    finding = judge(heard(own, ("dhcp4", 2, samples.offer(OTHER, server_id="192.0.2.67"))))
    assert finding.culprits == (SERVER, OTHER) and finding.cautions
    assert "sharing" in finding.fixes[0] and set(fitting(CHECK.steps, None)) < set(finding.fixes)
    assert finding.spans == ((0, 0), (2, 2))
    assert MUTE_FIRST in judge(heard(own)).cautions  # its audio stops while its adapter is set anew


def test_a_server_is_heard_from_its_first_to_its_last_word():
    later, sooner = ("dhcp6", 1.0, samples.advertise()), ("dhcp4", 4.0, samples.offer())
    assert judge(heard(later, sooner)).spans == ((1.0, 4.0),)


def test_silence_over_ipv6_is_measured():
    asked = [("dhcp6", 0, samples.solicit(), {"outgoing": True})]
    assert judge(heard(*asked)).measured["ipv6_proved"]
    assert not judge(heard(*asked, duration_s=3.9)).measured["ipv6_proved"]
    assert not judge(heard(("dhcp6", 0, samples.solicit()))).measured["ipv6_proved"]


@pytest.mark.parametrize(
    ("frames", "words", "asked"),
    [
        (discovers(0), "A client asked for an address, but not long enough", (1, 0)),
        ([("dhcp4", 0, bytes(samples.dhcp4("discover"))[:256], {"cut": True})], "cut too short", (0, 0)),
        ([("dhcp6", at, samples.solicit()) for at in (0, 4, 12)], "over IPv4 nobody asked", (0, 3)),
        ([("dhcp4", 0, request(ciaddr="192.0.2.111"))], f"knows a DHCP server {SERVER_IP}", (0, 0)),
        (discovers(0, giaddr="198.51.100.1"), "Nobody asked for an address", (0, 0)),
        ([("dhcp6", 0, samples.solicit())], "Nobody asked for an address", (0, 1)),
    ],
)
def test_why_silence_proves_nothing(frames, words, asked):
    finding = judge(heard(*frames))
    assert finding.outcome == Outcome.UNPROVEN and words in finding.headline
    assert (finding.measured["questions"], finding.measured["questions_ipv6"]) == asked


def test_what_the_proof_rests_on_is_told():
    finding = judge(heard(*discovers(2, 6, 14)))
    assert "asked 3 times in 12.0 s" in shown(finding) and finding.evidence[0].frame == 3
    finding = judge(heard(*discovers(2, flags=0x8000)))
    assert "none came in 28.0 s" in shown(finding) and finding.evidence[0].time_s == 2


def test_two_allowed_servers():
    offers = ("dhcp4", 1, samples.offer()), ("dhcp4", 2, samples.offer(OTHER, server_id="192.0.2.67"))
    allowed = shows.sheet(also=f'[dhcp]\nallowed = ["{SERVER}", "192.0.2.67"]')
    both = judge(replace(heard(*offers), sheet=allowed))
    assert both.outcome == Outcome.PASS and both.headline.startswith("All DHCP servers")
    assert len(both.evidence) == both.measured["allowed"] == 2
    one = judge(replace(heard(offers[0]), sheet=allowed))
    assert one.headline.startswith("The only DHCP server heard is allowed") and SERVER in one.headline


def test_a_client_that_knows_a_server_proves_no_absence():
    """It gives its address back to the server, whatever it asked in vain before (RFC 2131 section 4.4.6)."""
    release = ("dhcp4", 40, samples.dhcp4("release", server_id=SERVER_IP, ciaddr="192.0.2.111"))
    finding = judge(heard(*discovers(0, 4, 12, 28), release))
    assert finding.outcome == Outcome.UNPROVEN and "may be here, and silent" in finding.headline
    assert judge(heard(*discovers(0, 4, 12, 28))).outcome == Outcome.PASS


def test_behind_a_relay_the_server_is_elsewhere():
    passed_on = samples.offer(giaddr="198.51.100.1")
    passed_on["IP"].src = "198.51.100.1"
    finding = judge(heard(("dhcp4", 0.5, passed_on)))
    assert f"{SERVER_IP}, by the relay" in finding.headline and SERVER in finding.headline


def test_a_server_that_answers_a_relay_is_here_itself():
    """It sends from the address by which it names itself."""
    finding = judge(heard(("dhcp4", 0.5, samples.offer(giaddr="198.51.100.1"))))
    assert finding.outcome == Outcome.FAIL and "by the relay" not in finding.headline
    assert f"({SERVER}, {SERVER_IP})" in finding.headline
    assert "by way of the relay 198.51.100.1" in shown(finding)


@pytest.mark.parametrize("old", [{"ciaddr": "192.0.2.111"}, {"requested_addr": "192.0.2.111"}])
def test_a_client_that_got_its_old_address_back_refutes_one_that_is_ignored(old):
    """It rebinds, or boots (RFC 2131 section 4.3.2); the answer may have gone to it alone."""
    asked = ("dhcp4", 1, samples.dhcp4("request", client=OTHER, **old))
    ignored = discovers(2, 6, 14, 30)
    finding = judge(heard(asked, *ignored, duration_s=60.0))
    assert finding.outcome == Outcome.UNPROVEN and "asked no more" in finding.headline
    # Where it asks for any server afterwards, nobody answered it either.
    anew = ("dhcp4", 9, samples.dhcp4("discover", client=OTHER))
    assert judge(heard(asked, anew, *ignored, duration_s=60.0)).outcome == Outcome.PASS


@pytest.mark.parametrize("kinds", [3, 4, 5])
def test_four_kinds_of_its_messages_are_shown(kinds):
    """OFFER, ACK, NAK, and two over IPv6."""
    frames = [
        ("dhcp4", n, samples.dhcp4(kind, src=SERVER, server_id=SERVER_IP))
        for n, kind in enumerate(("offer", "ack", "nak"))
    ]
    reply = samples.advertise()
    frames += [("dhcp6", 4, samples.advertise()), ("dhcp6", 5, _as_reply(reply))]
    finding = judge(heard(*frames[:kinds]))
    assert len(finding.evidence) == min(kinds, 4) and finding.culprits == (SERVER,)


def _as_reply(advertise):
    """Message type 7: RFC 8415 section 7.3."""
    data = bytes(advertise)
    at = data.index(b"\x02\x00\x00\x05")
    return data[:at] + b"\x07" + data[at + 1 :]
