"""Names of streams, and streams that are not what their announcement says."""

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.tally.captures import Timed, mac, rtp, sap, sdp, studied, told, udp

PASS, CAUTION, FAIL, UNPROVEN = Outcome.PASS, Outcome.CAUTION, Outcome.FAIL, Outcome.UNPROVEN
ONE, TWO = "233.252.0.9", "233.252.0.10"


judge = asked("stream-names")


def stream(sender: int = 5, group: str = ONE, channels: int = 8, samples: int = 48) -> list[Timed]:
    media = bytes(samples * channels * 3)
    return [(n * samples / 48000, rtp(sender, group, n, media, samples)) for n in range(400)]


def said(description: bytes, time: float = 0.1, sender: int = 5, **more: int) -> list[Timed]:
    return [(time, sap(sender, description, **more))]


def test_streams_as_announced(tmp_path):
    other = sdp("Monitors", TWO, channels=8).replace(b"o=- 17", b"o=- 18")
    finding = judge(
        studied(tmp_path, stream(), said(sdp("Stage left", ONE, channels=8)), said(other, number=8))
    )
    assert finding.outcome == PASS
    assert finding.headline == (
        "1 of 1 stream heard announced, and as announced. 1 announced one was not heard here."
    )
    assert "heard: “Stage left” to 233.252.0.9 port 5004" in told(finding)
    assert "announced, not heard here: “Monitors” to 233.252.0.10" in told(finding)


@pytest.mark.parametrize(
    ("description", "outcome", "words"),
    [
        (sdp("x", ONE, channels=2), FAIL, "announced with 2 channels of L24, but its packets (1152 bytes) "
                                          "hold 8"),
        (sdp("x", ONE, channels=8, rate="L16/48000"), FAIL, "8 channels of L16, but its packets (1152 "
                                                            "bytes) hold 12"),
        (sdp("x", ONE, channels=8, rate="L24/96000"), FAIL, "announced at 96 kHz, but runs at 48 kHz"),
        (sdp("x", ONE, channels=8).replace(b"97", b"98"), FAIL, "payload type 98, but sends 97"),
        (sdp("x", ONE, channels=8, ptime="4"), CAUTION, "announced with 4 ms a packet, but sends 1 ms"),
        (sdp("x", ONE, channels=8, ptime="1.0"), PASS, "heard"),
        (sdp("x", ONE, channels=8, rate="mystery/48000"), PASS, "heard"),
        (sdp("x", ONE, port=5006), PASS, "not announced"),
    ],
)  # fmt: skip
def test_what_is_announced_against_what_is_sent(tmp_path, description, outcome, words):
    finding = judge(studied(tmp_path, stream(), said(description)))
    assert finding.outcome == outcome
    assert words in told(finding)
    assert finding.culprits == ((mac(5),) if outcome in (FAIL, CAUTION) else ())


@pytest.mark.parametrize("text", ["0.125", "0.12", "0.13"])
def test_packet_times_rounded_by_their_writer(tmp_path, text):
    """6 samples at 48 kHz are 0.125 ms."""
    facts = studied(tmp_path, stream(samples=6), said(sdp("x", ONE, channels=8, ptime=text)))
    assert judge(facts).outcome == PASS


def test_a_header_extension_is_no_audio(tmp_path):
    """RFC 3550 section 5.3.1: X, then 16 bits of profile, 16 bits of length in words."""
    extended = []
    for time, frame in stream():
        head, media = bytearray(frame[42:54]), frame[54:]
        head[0] |= 0x10
        extended.append((time, udp(5, ONE, 5004, bytes(head) + b"\xbe\xde\0\2" + bytes(8) + media)))
    assert judge(studied(tmp_path, extended, said(sdp("x", ONE, channels=8)))).outcome == PASS


def test_the_latest_word_counts(tmp_path):
    facts = studied(
        tmp_path,
        stream(),
        said(sdp("Old", ONE, channels=2), number=1),
        said(sdp("New", ONE, channels=8), 0.2, number=2),
    )
    assert judge(facts).outcome == PASS
    assert "New" in told(judge(facts)) and "Old" not in told(judge(facts))


def test_an_announcement_taken_back(tmp_path):
    facts = studied(
        tmp_path,
        stream(),
        said(sdp("Gone", ONE, channels=2)),
        said(b"o=- 17 1 IN IP4 192.0.2.5\r\n", 0.2, flags=0x04),
    )
    finding = judge(facts)
    assert (finding.outcome, finding.headline) == (UNPROVEN, "1 stream heard, but no announcement.")
    assert "which took an announcement back" in told(finding)


def test_two_sessions_claim_one_group(tmp_path):
    other = sdp("Copy", ONE, channels=8).replace(b"192.0.2.5", b"192.0.2.6")
    finding = judge(studied(tmp_path, stream(), said(sdp("First", ONE, channels=8)), said(other, sender=6)))
    assert finding.outcome == CAUTION
    assert "233.252.0.9 port 5004 is claimed by “First”" in told(finding) and "“Copy”" in told(finding)


def test_a_second_announcer_of_the_same_session_is_no_clash(tmp_path):
    text = sdp("First", ONE, channels=8)
    assert judge(studied(tmp_path, stream(), said(text), said(text, sender=6))).outcome == PASS


def test_encrypted_and_hostile_announcements(tmp_path):
    finding = judge(studied(tmp_path, stream(), said(bytes(40), flags=0x02)))
    assert finding.outcome == UNPROVEN
    assert "1 announcer not read" in told(finding)
    finding = judge(studied(tmp_path, stream(), said(sdp("\x1b[2Jgone\u202e", ONE, channels=8))))
    assert finding.outcome == PASS
    assert "\x1b" not in told(finding) and "\u202e" not in told(finding)


def test_names_by_mdns(tmp_path):
    from scapy.layers.dns import DNS, DNSRR

    answer = bytes(DNS(qr=1, aa=1, an=[DNSRR(rrname="_rtsp._tcp.local.", type="PTR", ttl=120, rdata="Left box._rtsp._tcp.local.")]))  # fmt: skip
    frame = udp(5, "224.0.0.251", 5353, answer)
    finding = judge(studied(tmp_path, stream(), [(0.1, frame)]))
    assert finding.outcome == UNPROVEN
    assert "which calls itself “Left box” by mDNS" in told(finding)


def test_nothing_to_match(tmp_path):
    finding = judge(studied(tmp_path, said(sdp("Alone", ONE)), [(0.2, udp(5, TWO, 6000, b"hello"))]))
    assert (finding.outcome, finding.headline) == (UNPROVEN, "1 stream announced, but none was heard here.")
    finding = judge(studied(tmp_path, [(0.2, udp(5, TWO, 6000, b"hello"))]))
    assert finding.headline == "Neither a stream nor an announcement was heard."
    assert "five minutes" in finding.fixes[0]
    other = said(sdp("Other", ONE).replace(b"RTP/AVP 97", b"udp 97"))
    finding = judge(studied(tmp_path, other, [(0.2, udp(5, TWO, 6000, b"hello"))]))
    assert (finding.outcome, finding.headline) == (
        UNPROVEN,
        "No stream was heard, and only announcements of what is no RTP.",
    )
    assert "only announcements of other things" in judge(studied(tmp_path, other, stream(6))).headline
    assert judge(Facts()) is None


@pytest.mark.parametrize("snap", [64, 96])
def test_announcements_that_the_snap_length_cut_may_be_of_anything(tmp_path, snap):
    """Cut before the session is described, or before its streams are."""
    facts = studied(tmp_path, stream(), said(sdp("Show", ONE, channels=8)), snap=snap)
    assert "1 stream heard, and the announcements are cut" in judge(facts).headline
    facts = studied(tmp_path, stream(), said(sdp("Show", ONE, channels=8)), snap=1500)
    assert judge(facts).outcome is Outcome.PASS
    facts = studied(tmp_path, stream(), snap=snap)  # the audio alone is cut
    assert "but no announcement" in judge(facts).headline


def test_two_devices_send_to_one_group(tmp_path):
    """A spare engine that does not wait. One that takes over is right."""
    spare = [(time + 2, frame) for time, frame in stream(6)]
    long = [(n / 1000, rtp(5, ONE, n, bytes(1152))) for n in range(3000)]
    beside = [(n / 1000 + 0.1, rtp(6, ONE, n, bytes(1152))) for n in range(800)]
    finding = judge(studied(tmp_path, long, beside))
    assert finding.outcome == CAUTION
    assert f"233.252.0.9 port 5004 is sent by ICANN 53:05 ({mac(5)}" in told(finding) and mac(6) in told(
        finding
    )
    assert judge(studied(tmp_path, stream(), spare)).outcome == UNPROVEN


@pytest.mark.parametrize(
    ("text", "outcome"), [("1.025", PASS), ("1.027", CAUTION), ("0.975", CAUTION), ("0.977", PASS)]
)
def test_a_packet_time_that_is_nearly_right(tmp_path, text, outcome):
    facts = studied(tmp_path, stream(), said(sdp("x", ONE, channels=8, ptime=text)))
    assert judge(facts).outcome == outcome


@pytest.mark.parametrize(("beside_s", "outcome"), [(0.49, UNPROVEN), (0.51, CAUTION)])
def test_a_hand_over_is_quicker_than_half_a_second(tmp_path, beside_s, outcome):
    long = [(n / 1000, rtp(5, ONE, n)) for n in range(2000)]
    other = [(n / 1000 + 1.999 - beside_s, rtp(6, ONE, n)) for n in range(1000)]
    assert judge(studied(tmp_path, long, other)).outcome == outcome


@pytest.mark.parametrize(
    ("channels", "rate", "fits"),
    [(2, "L24/48000", "hold 8 of them"), (2, "L20/48000", "hold no whole number of them")],
)
def test_how_many_channels_the_packets_hold(tmp_path, channels, rate, fits):
    """1 152 bytes in 48 samples: 8 channels of 3 bytes, 9.6 of 2.5."""
    finding = judge(studied(tmp_path, stream(), said(sdp("x", ONE, channels=channels, rate=rate))))
    assert finding.outcome == FAIL and fits in told(finding)


def test_the_figures_of_what_is_announced_and_heard(tmp_path):
    other = sdp("Monitors", TWO, channels=8).replace(b"o=- 17", b"o=- 18")
    third = sdp("Third", "233.252.0.11", channels=8).replace(b"o=- 17", b"o=- 19")
    facts = studied(
        tmp_path, stream(), stream(6, "233.252.0.12"), said(sdp("Stage", ONE, channels=8)), said(other, number=8), said(third, number=9)
    )  # fmt: skip
    finding = judge(facts)
    assert finding.measured == {
        "streams_heard": 2, "streams_announced": 3, "heard_and_announced": 1, "announced_not_heard": 2,
    }  # fmt: skip
    assert (
        finding.headline
        == "1 of 2 streams heard announced, and as announced. 2 announced ones were not heard here."
    )


def seven(channels: int) -> tuple[list, list]:
    """Streams of eight channels, and their announcements, which tell of so many."""
    groups = [f"233.252.0.{n}" for n in range(20, 27)]
    here = [stream(n, group)[:60] for n, group in enumerate(groups, 20)]
    names = [
        said(sdp(f"s{n}", group, channels=channels).replace(b"o=- 17", b"o=- 1%d" % n), number=n)
        for n, group in enumerate(groups)
    ]
    return here, names


def test_six_of_each_are_shown(tmp_path):
    here, names = seven(channels=8)
    assert told(judge(studied(tmp_path, *here, *names))).count("heard: ") == 6
    assert told(judge(studied(tmp_path, *names))).count("announced, not heard here: ") == 6
    nameless = told(judge(studied(tmp_path, *here, said(sdp("x", ONE)))))
    assert nameless.count("not announced: ") == 6


def test_seven_that_are_otherwise(tmp_path):
    here, names = seven(channels=2)
    finding = judge(studied(tmp_path, *here, *names))
    assert finding.headline == "All 7 streams (worst: “s0”) not as announced." and len(finding.culprits) == 7
    assert told(finding).count("but its packets") == 6


@pytest.mark.parametrize(
    ("spans", "at_once"),
    [
        ([(0, 1), (0.9, 2.5), (1.9, 3)], (6, 7)),  # the one that took over sends beside the next
        ([(0, 3), (0.2, 0.4), (2, 3)], (5, 7)),  # the one that was there all along does
        ([(0, 1), (0.9, 2), (1.9, 3)], None),
    ],
)
def test_of_three_that_send_to_one_group(tmp_path, spans, at_once):
    frames = [
        (start + n / 1000, rtp(5 + number, ONE, n))
        for number, (start, until) in enumerate(spans)
        for n in range(round(1000 * (until - start)))
    ]
    finding = judge(studied(tmp_path, frames))
    assert finding.outcome == (CAUTION if at_once else UNPROVEN)
    if at_once:
        line = next(each.text for each in finding.evidence if "at once" in each.text)
        assert all(f"192.0.2.{number}" in line for number in at_once)
