"""Which streams have a name, which announced ones were heard, and whether they hold what is announced.

Strategy: announcements (SAP with SDP) and streams are matched by group and port. mDNS tells no group: its names are matched by
who sends. A stream without a name is no fault, nor is one that is announced and does not come here. But a receiver that is set
by a wrong description plays noise or nothing: that fails. A wrong packet time only cautions, as receivers can do without it.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import who
from preflight.checks.see.streams import (
    BYTES,
    SEEN_WHERE,
    Announced,
    announced,
    called,
    heard_streams,
    names,
    place,
)
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.tally.facts import Flow, RtpStream
from preflight.wire.mdns import MdnsMessage
from preflight.wire.sap import SapMessage

CHECK = Check(
    name="stream-names",
    subject="wire",
    order=390,
    asks=View,
    question="Do the streams have names, and hold what is announced?",
    looks_at=(
        "Announcements of streams by SAP, and of their senders by mDNS, beside the streams that were heard: name, group, "
        "port, sample rate, format, channels, packet time."
    ),
    why="Receivers are set by what is announced. Where that is wrong they play noise, or nothing.",
    limits=(
        Limit("packet_time_share", 0.02, "by which the packet time may be another", "common practice"),
        Limit("sap_s", 300, "seconds within which an announcement should come again", "RFC 2974 section 3.1"),
    ),
    sources=(
        "RFC 2974: SAP; RFC 8866: SDP, in which packet time (section 6.4) is advice that receivers can do without",
        "RFC 6762, RFC 6763: names by mDNS",
        "RFC 3190, RFC 3551: how linear audio fills a packet",
    ),
    fixes=(
        "Open the sender's settings. Compare sample rate, format, channels and packet time with what is listed here.",
        "Set them as planned, and let the sender announce anew: switch the stream off and on.",
        "Where two senders share one group, give one of them another group, or stop the spare.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=f"{SEEN_WHERE} Announcements can be five minutes apart (RFC 2974).",
)

# Service types by which senders of RTP are found (RFC 6763; IANA's registry of service names).
SENDERS = ("._rtsp._tcp.local.", "._sip._udp.local.")
SHOWN = 6
AT_ONCE_S = 0.5  # longer than a hand-over from one to the other takes. Common practice.


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    heard = heard_streams(facts)
    told, named = announced(facts), names(facts)
    by_mdns = _by_mdns(facts)
    unread = {m.origin for m in facts.heard(SapMessage) if m.session is None and not m.deletion}
    here = {place(flow) for _, flow in heard}
    silent = [each for each in told if each.place not in here]
    nameless = [h for h in heard if place(h[1]) not in named]
    measured = {
        "streams_heard": len(here),
        "streams_announced": len(told),
        "heard_and_announced": len(here & set(named)),
        "announced_not_heard": len(silent),
    }
    limits = CHECK.values()
    wrong = [
        (outcome, f"{called(flow, named)} {text}", stream, flow)
        for stream, flow in heard
        if place(flow) in named
        for outcome, text in _contradictions(stream, named[place(flow)], limits)
    ]
    clashes = _clashes(told) + _two_senders(heard)
    evidence = [
        Evidence(text, frame=stream.first_frame, time_s=stream.first_s)
        for _, text, stream, _ in wrong[:SHOWN]
    ]
    evidence += clashes[:SHOWN]
    evidence += _listed(heard, nameless, silent, named, by_mdns, facts)
    if unread:
        evidence.append(
            Evidence(f"{_number(len(unread), 'announcer')} not read: encrypted, or of another kind than SDP")
        )
    if not wrong and not clashes:
        if not told or not heard:
            return Finding(
                CHECK.name,
                Outcome.UNPROVEN,
                _nothing_to_match(len(here), len(told)),
                evidence=tuple(evidence),
                measured=measured,
                limits=limits,
                fixes=(CHECK.unproven,),
            )
        rest = f" {len(silent)} announced ones were not heard here." if len(silent) > 1 else ""
        rest = " 1 announced one was not heard here." if len(silent) == 1 else rest
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{len(here & set(named))} of {_number(len(here), 'stream')} heard announced, and as announced.{rest}"
            if here & set(named)
            else f"{_number(len(here), 'stream')} heard, none of them announced.{rest}",
            evidence=tuple(evidence),
            measured=measured,
            limits=limits,
        )
    failed = any(outcome == Outcome.FAIL for outcome, *_ in wrong)
    count = len({place(flow) for *_, flow in wrong})
    words = [f"{_number(count, 'stream')} not as announced."] if wrong else []
    if clashes:
        words.append(f"{_number(len(clashes), 'group')} taken by two senders or sessions.")
    return Finding(
        CHECK.name,
        Outcome.FAIL if failed else Outcome.CAUTION,
        " ".join(words),
        evidence=tuple(evidence),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(flow.source for *_, flow in wrong if flow.source)),
    )


def _contradictions(
    stream: RtpStream, known: Announced, limits: dict[str, float]
) -> list[tuple[Outcome, str]]:
    """In what a stream is not as its description says. What was not measured or not told contradicts nothing."""
    media, found = known.media, []
    if media.payload_type != stream.payload_type:
        found.append(
            (
                Outcome.FAIL,
                f"is announced as payload type {media.payload_type}, but sends {stream.payload_type}",
            )
        )
    if media.clock_hz and stream.clock_hz and media.clock_hz != stream.clock_hz:
        found.append(
            (
                Outcome.FAIL,
                f"is announced at {media.clock_hz / 1000:g} kHz, but runs at {stream.clock_hz / 1000:g} kHz",
            )
        )
        return found  # the rest is worked out from the rate
    size = BYTES.get(media.encoding.upper())
    if (
        size
        and media.channels
        and stream.packet_stamps
        and stream.packet_stamps > 0
        and stream.media_bytes > 0
    ):
        holds = stream.media_bytes / (stream.packet_stamps * size)
        if holds != media.channels:
            fits = f"{holds:g} of them" if holds == int(holds) else "no whole number of them"
            found.append(
                (
                    Outcome.FAIL,
                    f"is announced with {_number(media.channels, 'channel')} of {media.encoding.upper()}, but its packets "
                    f"({stream.media_bytes} bytes) hold {fits}",
                )
            )
    time = stream.packet_time_s
    if media.packet_time_ms and time:
        measured_ms = 1000 * time
        if (
            abs(measured_ms - media.packet_time_ms)
            > limits["packet_time_share"] * media.packet_time_ms + 0.005
        ):
            found.append(
                (
                    Outcome.CAUTION,
                    f"is announced with {media.packet_time_ms:g} ms a packet, but sends {measured_ms:.3g} ms",
                )
            )
    return found


def _clashes(told: list[Announced]) -> list[Evidence]:
    """Groups and ports that several sessions claim."""
    claims: dict[tuple[str, int], list[Announced]] = {}
    for each in told:
        claims.setdefault(each.place, []).append(each)
    return [
        Evidence(
            f"{group} port {port} is claimed by {' and '.join(_claim(each) for each in several[:3])}",
            frame=several[-1].message.seen.frame,
            time_s=several[-1].message.seen.time_s,
        )
        for (group, port), several in claims.items()
        if len({each.message.session.origin for each in several if each.message.session}) > 1
    ]


def _two_senders(heard: list[tuple[RtpStream, Flow]]) -> list[Evidence]:
    """Groups and ports that two devices send to at once, as a spare does that was not told to wait."""
    senders: dict[tuple[str, int], dict[str, tuple[RtpStream, Flow]]] = {}
    for stream, flow in heard:
        senders.setdefault(place(flow), {}).setdefault(flow.source_ip, (stream, flow))
    evidence = []
    for (group, port), several in senders.items():
        ordered = sorted(several.values(), key=lambda pair: pair[0].first_s)
        first, a = ordered[0]
        for second, b in ordered[1:]:
            if min(first.last_s, second.last_s) - second.first_s >= AT_ONCE_S:
                evidence.append(
                    Evidence(
                        f"{group} port {port} is sent by {who(a.source, a.source_ip)} and {who(b.source, b.source_ip)} at once",
                        frame=second.first_frame,
                        time_s=second.first_s,
                    )
                )
                break
            if second.last_s > first.last_s:
                first, a = second, b
    return evidence


def _claim(each: Announced) -> str:
    return f"“{each.name}” ({who(each.message.seen.src, each.message.source)})"


def _listed(
    heard: list[tuple[RtpStream, Flow]],
    nameless: list[tuple[RtpStream, Flow]],
    silent: list[Announced],
    named: dict[tuple[str, int], Announced],
    by_mdns: dict[str, str],
    facts: Facts,
) -> list[Evidence]:
    evidence = [
        Evidence(f"heard: {called(flow, named)}", frame=stream.first_frame, time_s=stream.first_s)
        for stream, flow in heard
        if place(flow) in named
    ][:SHOWN]
    gone = {
        m.origin: m for m in facts.heard(SapMessage) if m.deletion
    }  # a deletion names its origin, not the group
    for stream, flow in nameless[:SHOWN]:
        text = f"not announced: {called(flow, named)}"
        if name := by_mdns.get(flow.source_ip):
            text += f", which calls itself “{name}” by mDNS"
        if flow.source_ip in gone:
            text += ", which took an announcement back"
        evidence.append(Evidence(text, frame=stream.first_frame, time_s=stream.first_s))
    for each in silent[:SHOWN]:
        evidence.append(
            Evidence(
                f"announced, not heard here: “{each.name}” to {each.media.group} port {each.media.port}",
                frame=each.message.seen.frame,
                time_s=each.message.seen.time_s,
            )
        )
    return evidence


def _by_mdns(facts: Facts) -> dict[str, str]:
    """Names of RTP senders by their IP address."""
    found: dict[str, str] = {}
    for message in facts.heard(MdnsMessage):
        for instance in message.instances:
            kind = next((kind for kind in SENDERS if instance.lower().endswith(kind)), None)
            if kind:
                found.setdefault(message.source, instance[: -len(kind)])
    return found


def _nothing_to_match(heard: int, told: int) -> str:
    if heard:
        return f"{_number(heard, 'stream')} heard, but no announcement."
    if told:
        return f"{_number(told, 'stream')} announced, but none was heard here."
    return "Neither a stream nor an announcement was heard."


def _number(count: int, name: str) -> str:
    return f"1 {name}" if count == 1 else f"{count} {name}s"
