"""The stray DHCP check: what proves a server, what proves that there is none, and what proves nothing."""

from dataclasses import replace

import pytest

from preflight import wire
from preflight.checks.finding import Outcome
from preflight.checks.wire.stray_dhcp import CHECK
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.tally.tally import Tally
from preflight.wire.dhcp4 import Dhcp4Message
from tests.checks.asked import asked
from tests.wire import samples
from tests.wire.samples import SERVER, SERVER_IP, STATION, picked

judge = asked("stray-dhcp")

OTHER = "00:00:5e:00:53:43"
EMPTY = Tally().facts()


def heard(*frames, duration_s: float = 30.0, vantage="access port", dropped=None) -> Facts:
    """Facts of frames given as (kind, time, frame) or (kind, time, frame, how it was captured), beside an empty tally."""
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
    assert finding.headline.startswith(f"A DHCP server answers on this network: {SERVER}")
    assert [each.frame for each in finding.evidence if each.frame] == [1, 3] and OTHER in shown(finding)
    once = judge(heard(*answers[:2], ("dhcp4", 1.2, request()), vantage="mirror"))
    assert once.culprits == (SERVER,)


def test_a_client_names_the_server_whose_offer_did_not_come_by():
    finding = judge(heard(*discovers(0), ("dhcp4", 1, request())))
    assert (finding.outcome, finding.culprits) == (Outcome.FAIL, (SERVER_IP,))
    assert "did not come by" in shown(finding) and SERVER_IP in finding.headline
    assert "arp -a" in finding.fixes[0]
    resolved = judge(heard(("arp", 0, samples.VALID["arp"][0]), ("dhcp4", 1, request())))
    assert resolved.culprits == (SERVER,) and resolved.fixes == CHECK.fixes


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
        (discovers(0, 4), {}, Outcome.UNPROVEN),
        (discovers(0, 1, 2, 3), {}, Outcome.UNPROVEN),
        (discovers(0) + discovers(4, client=OTHER) + discovers(12, client=STATION), {}, Outcome.UNPROVEN),
        (discovers(0, 0, 12, 12), {}, Outcome.UNPROVEN),  # each copied by a mirror
        # An answer would have been seen.
        (discovers(0, flags=0x8000), {"duration_s": 4.5}, Outcome.PASS),
        (discovers(0, flags=0x8000), {"duration_s": 3.5}, Outcome.UNPROVEN),
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
