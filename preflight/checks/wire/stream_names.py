"""Which streams have a name, which announced ones were heard, and whether they hold what is announced.

Strategy: announcements (SAP with SDP) and streams are matched by group and port. mDNS tells no group: its
names are matched by who sends. A stream without a name is no fault, nor is one that is announced and does not
come here. But a receiver that is set by a wrong description plays noise or nothing: that fails. A wrong
packet time only cautions, as receivers can do without it.
"""

from collections.abc import Iterator

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, first_upper, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, passed, trouble, unproven
from preflight.checks.see.streams import (
    BYTES,
    SEEN_WHERE,
    Announced,
    Heard,
    announced,
    called,
    heard_streams,
    names,
    place,
    titles,
)
from preflight.checks.step import now
from preflight.facts import Facts
from preflight.tally.facts import RtpStream
from preflight.wire.mdns import MdnsMessage
from preflight.wire.sap import SapMessage

CHECK = Check(
    name="stream-names",
    subject="wire",
    order=390,
    asks=Wire,
    question="Do the streams have names, and hold what is announced?",
    looks_at=(
        "Announcements of streams by SAP, and of their senders by mDNS, beside the streams that were heard: "
        "name, group, port, sample rate, format, channels, packet time."
    ),
    why="Receivers are set by what is announced. Where that is wrong they play noise, or nothing.",
    limits=(
        Limit("packet_time_share", 0.02, "by which the packet time may be another", "common practice"),
        Limit("at_once_s", 0.5, "s that two send at once: a hand-over is quicker", "common practice"),
    ),
    sources=(
        "RFC 2974: SAP; RFC 8866: SDP, in which packet time (section 6.4) is advice that receivers can do "
        "without",
        "RFC 6762, RFC 6763: names by mDNS",
        "RFC 3190, RFC 3551: how linear audio fills a packet",
    ),
    fixes=(
        now(
            "Open the sender's settings. Compare sample rate, format, channels and packet time with what is "
            "listed here."
        ),
        "Set them as planned, and let the sender announce anew: switch the stream off and on.",
        "Where two senders share one group, give one of them another group, or stop the spare.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=f"{SEEN_WHERE} Announcements can be five minutes apart (RFC 2974).",
)

# Service types by which senders of RTP are found (RFC 6763; IANA's registry of service names).
SENDERS = ("._rtsp._tcp.local.", "._sip._udp.local.")
SAP = 9875  # the UDP port of announcements: RFC 2974
SHOWN = 6
ROUNDED_MS = 0.005  # packet times are told in two decimals


def judge(wire: Wire, limits: Limits) -> Says:
    heard, told, known = heard_streams(wire), announced(wire), names(wire)
    here = {place(flow) for _, flow in heard}
    silent = [each for each in told if each.place not in here]
    matched = len(here & set(known))
    yield Measured(
        {
            "streams_heard": len(here),
            "streams_announced": len(told),
            "heard_and_announced": matched,
            "announced_not_heard": len(silent),
        },
        tuple(_listed(wire, heard, silent, known)),
    )
    yield from _wrongly_announced(heard, known, limits)
    if clashes := _clashes(told) + _two_senders(heard, limits["at_once_s"]):
        yield caution(f"{counted(len(clashes), 'group')} taken by two senders or sessions.", clashes[:SHOWN])
    elif not told or not heard:
        words = [said for said in wire.heard(SapMessage) if not said.deletion]
        other = any(said.session and not said.session.media for said in words)
        cut = any(flow.cut for flow in wire.tally.flows if flow.destination_port == SAP)
        yield unproven(_nothing_to_match(len(here), len(told), other, cut))
    were = "was" if len(silent) == 1 else "were"
    rest = f" {counted(len(silent), 'announced one')} {were} not heard here." if silent else ""
    streams = counted(len(here), "stream")
    yield passed(
        f"{matched} of {streams} heard announced, and as announced.{rest}"
        if matched
        else f"{streams} heard, none of them announced.{rest}"
    )


def _wrongly_announced(
    heard: list[Heard], known: dict[tuple[str, int], Announced], limits: Limits
) -> Iterator[Saw]:
    wrong = [
        (outcome, f"{called(flow, known)} {text}", stream, flow)
        for stream, flow in heard
        if place(flow) in known
        for outcome, text in _contradictions(stream, known[place(flow)], limits)
    ]
    if wrong:
        wrong.sort(key=lambda each: each[0].gravity)
        of = {place(flow): (stream, flow) for stream, flow in heard}
        some = {place(flow): (stream, flow) for *_, stream, flow in wrong}
        yield trouble(
            wrong[0][0],
            f"{first_upper(titles([*some.values()], [*of.values()], known))} not as announced.",
            [Evidence(text, stream.first_frame, stream.first_s) for _, text, stream, _ in wrong[:SHOWN]],
            culprits=[flow.source for *_, flow in wrong if flow.source],
        )


def _contradictions(stream: RtpStream, known: Announced, limits: Limits) -> Iterator[tuple[Outcome, str]]:
    """In what a stream is not as its description says. What was not measured or not told contradicts
    nothing."""
    media = known.media
    if media.payload_type != stream.payload_type:
        yield (
            Outcome.FAIL,
            f"is announced as payload type {media.payload_type}, but sends {stream.payload_type}",
        )
    if media.clock_hz and stream.clock_hz and media.clock_hz != stream.clock_hz:
        rates = f"at {media.clock_hz / 1000:g} kHz, but runs at {stream.clock_hz / 1000:g} kHz"
        yield Outcome.FAIL, f"is announced {rates}"
        return  # the rest is worked out from the rate
    size = BYTES.get(media.encoding.upper())
    if size and media.channels and (stream.packet_stamps or 0) > 0 and stream.media_bytes > 0:
        holds = stream.media_bytes / ((stream.packet_stamps or 0) * size)
        if holds != media.channels:
            fits = f"{holds:g} of them" if holds == int(holds) else "no whole number of them"
            yield (
                Outcome.FAIL,
                f"is announced with {counted(media.channels, 'channel')} of {media.encoding.upper()}, but "
                f"its packets ({stream.media_bytes} bytes) hold {fits}",
            )
    said_ms, sent_ms = media.packet_time_ms, 1000 * (stream.packet_time_s or 0.0)
    if said_ms and sent_ms and abs(sent_ms - said_ms) > limits["packet_time_share"] * said_ms + ROUNDED_MS:
        yield Outcome.CAUTION, f"is announced with {said_ms:g} ms a packet, but sends {sent_ms:.3g} ms"


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


def _two_senders(heard: list[Heard], at_once_s: float) -> list[Evidence]:
    """Groups and ports that two devices send to at once, as a spare does that was not told to wait."""
    senders: dict[tuple[str, int], dict[str, Heard]] = {}
    for stream, flow in heard:
        senders.setdefault(place(flow), {}).setdefault(flow.source_ip, (stream, flow))
    evidence = []
    for (group, port), several in senders.items():
        ordered = sorted(several.values(), key=lambda pair: pair[0].first_s)
        first, a = ordered[0]
        for second, b in ordered[1:]:
            if min(first.last_s, second.last_s) - second.first_s >= at_once_s:
                evidence.append(
                    Evidence(
                        f"{group} port {port} is sent by {who(a.source, a.source_ip)} and "
                        f"{who(b.source, b.source_ip)} at once",
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
    wire: Wire, heard: list[Heard], silent: list[Announced], known: dict[tuple[str, int], Announced]
) -> Iterator[Evidence]:
    """What was heard, with and without a name, what was not, and what could not be read."""
    nameless = [h for h in heard if place(h[1]) not in known]
    for stream, flow in [h for h in heard if place(h[1]) in known][:SHOWN]:
        yield Evidence(f"heard: {called(flow, known)}", stream.first_frame, stream.first_s)
    by_mdns, messages = _by_mdns(wire), wire.heard(SapMessage)
    gone = {m.origin for m in messages if m.deletion}  # a deletion names its origin, not the group
    for stream, flow in nameless[:SHOWN]:
        text = f"not announced: {called(flow, known)}"
        if name := by_mdns.get(flow.source_ip):
            text += f", which calls itself “{name}” by mDNS"
        if flow.source_ip in gone:
            text += ", which took an announcement back"
        yield Evidence(text, stream.first_frame, stream.first_s)
    for each in silent[:SHOWN]:
        text = f"announced, not heard here: “{each.name}” to {each.media.group} port {each.media.port}"
        yield Evidence(text, each.message.seen.frame, each.message.seen.time_s)
    if unread := {m.origin for m in messages if m.session is None and not m.deletion}:
        yield Evidence(
            f"{counted(len(unread), 'announcer')} not read: encrypted, or of another kind than SDP"
        )


def _by_mdns(facts: Facts) -> dict[str, str]:
    """Names of RTP senders by their IP address."""
    found: dict[str, str] = {}
    for message in facts.heard(MdnsMessage):
        for instance in message.instances:
            kind = next((kind for kind in SENDERS if instance.lower().endswith(kind)), None)
            if kind:
                found.setdefault(message.source, instance[: -len(kind)])
    return found


def _nothing_to_match(heard: int, told: int, other: bool, cut: bool) -> str:
    """`other`: something that is no RTP was announced. `cut`: the snap length cut announcements, so that they
    may be of anything."""
    if cut and not told:
        streams = f"{counted(heard, 'stream')} heard" if heard else "No stream was heard"
        return f"{streams}, and the announcements are cut by the snap length."
    if heard:
        return f"{counted(heard, 'stream')} heard, but {'only announcements of other things' if other else 'no announcement'}."
    if told:
        return f"{counted(told, 'stream')} announced, but none was heard here."
    if other:
        return "No stream was heard, and only announcements of what is no RTP."
    return "Neither a stream nor an announcement was heard."
