"""The streams that were heard, RTP and others that count their frames, the sessions that were announced, and
words for them."""

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from preflight.checks.asks import Wire
from preflight.checks.say import counted, spoken, what, who
from preflight.checks.see.wanted import wanted
from preflight.facts import Facts
from preflight.tally.facts import CountedStream, Flow, RtpStream
from preflight.wire.sap import SapMessage
from preflight.wire.sdp import SdpMedia

SEEN_WHERE = (
    "Listen where streams pass: at the desk while it receives them, at the port of a receiver, or at a "
    "mirror port. A switch with IGMP snooping sends them nowhere else."
)
L16_TYPES = {10: 2, 11: 1}  # payload types with a fixed format, and their channels: RFC 3551 table 4
BYTES = {"L16": 2, "L20": 2.5, "L24": 3}  # RFC 3551, RFC 3190
SPEECH_HZ = (8000, 16000)  # of telephones: RFC 3551 table 4
LEAST_PACKETS = 32  # fewer tell nothing. Common practice.
LONGEST_TITLE = 40  # characters of a stream's name in a headline; the evidence has more
# As `called` and `title` write a stream whose name they do not know.
NAMELESS = re.compile(r"[Tt]he stream to (\S+) port (\d{1,5})\b( from)?")

Heard = tuple[RtpStream, Flow]
AnyStream = RtpStream | CountedStream
HeardAny = tuple[AnyStream, Flow]


@dataclass(frozen=True)
class Announced:
    """One stream of an announced session, as its latest announcement describes it."""

    name: str
    media: SdpMedia
    message: SapMessage

    @property
    def place(self) -> tuple[str, int]:
        return self.media.group, self.media.port


def heard_streams(facts: Facts) -> list[Heard]:
    """Streams that are RTP in earnest, with their flows. In a loop each packet comes many times, and it is a
    stream still."""
    tally = facts.tally
    if tally is None:
        return []
    heard = [
        (stream, tally.flows[stream.flow])
        for stream in tally.streams
        if stream.flow is not None
        and stream.received >= LEAST_PACKETS
        and stream.real
        and not tally.flows[stream.flow].discovery
    ]
    return wanted(heard, facts)


def all_streams(facts: Facts) -> list[HeardAny]:
    """RTP streams, then the others with room for audio whose frames count themselves, whatever their
    protocol. What one program sends another by UDP counts too: it is a stream only at a steady pace."""
    if facts.tally is None:
        return []
    flows = facts.tally.flows
    numbered = [
        (stream, flows[stream.flow])
        for stream in facts.tally.counted
        if stream.flow is not None and flows[stream.flow].stream and flows[stream.flow].has_room
    ]
    return heard_streams(facts) + [
        (stream, flow)
        for stream, flow in wanted(numbered, facts)
        if flow.protocol is None or flow.cast != "unicast" or (flow.steady and flow.shortest == flow.longest)
    ]


def lost_packets(wire: Wire) -> int:
    """Packets of all streams heard that never came."""
    return sum(stream.lost for stream, _ in all_streams(wire))


def announced(facts: Facts) -> list[Announced]:
    """The streams announced by SAP and not taken back, each once, by the last word on it."""
    latest: dict[tuple[str, int], SapMessage] = {}
    for message in facts.heard(SapMessage):
        if message.deletion:
            latest.pop((message.origin, message.number), None)
        elif message.session is not None:
            latest[message.origin, message.number] = message
    # A session that changes gets another number: the later one counts (RFC 2974 section 3, RFC 8866 section
    # 5.2).
    sessions = {message.session.origin: message for message in latest.values() if message.session is not None}
    return [
        Announced(message.session.name, media, message)
        for message in sessions.values()
        if message.session is not None
        for media in message.session.media
        if media.group
    ]


def names(facts: Facts) -> dict[tuple[str, int], Announced]:
    """What is announced for a group and port."""
    return {each.place: each for each in announced(facts)}


def place(flow: Flow) -> tuple[str, int]:
    """Where it goes: an IP address and port, or a hardware address and EtherType."""
    if not flow.destination_ip:
        return flow.destination, flow.ethertype
    return flow.destination_ip, flow.destination_port


def called(flow: Flow, named: dict[tuple[str, int], Announced]) -> str:
    """A stream in a sentence: its announced name where there is one, where it goes, who sends it."""
    known = named.get(place(flow))
    to = f"{flow.destination_ip} port {flow.destination_port}"
    if not flow.destination_ip:
        to = f"{flow.destination} ({what(flow)})"
    return f"{f'“{known.name}” to ' if known and known.name else 'the stream to '}{to} from {who(flow.source, flow.source_ip)}"


def title(flow: Flow, named: Mapping[tuple[str, int], Announced]) -> str:
    """A stream in a headline: its announced name, or where it goes."""
    known = named.get(place(flow))
    if known and (name := spoken(known.name, LONGEST_TITLE)):
        return f"“{name}”"
    return (
        f"the stream to {flow.destination_ip} port {flow.destination_port}"
        if flow.destination_ip
        else (f"the stream to {flow.destination}")
    )


def titles(
    some: Sequence[HeardAny],
    of: Sequence[HeardAny],
    named: Mapping[tuple[str, int], Announced],
    worst: str = "worst",
) -> str:
    """Some of the streams in a headline: one by its name, of several how many they are and the first of them,
    which is the `worst`; where that is "", none is named: what all of them share is no fault of one."""
    several = {1: "the stream", 2: "both streams"}.get(len(of), f"all {len(of)} streams")
    if len(some) < len(of):
        several = f"{len(some)} of {len(of)} streams"
    if len(some) == 1:
        return title(some[0][1], named) + (f" ({several})" if len(of) > 1 else "")
    return several + (f" ({worst}: {title(some[0][1], named)})" if worst else "")


def recalled(text: str, named: Mapping[tuple[str, int], Announced]) -> str:
    """`text` with the names of streams that were announced longer ago than what it was made of."""

    def known(found: re.Match[str]) -> str:
        to, port, sent = found.groups()
        announced = named.get((to, int(port)))
        if announced is None or not announced.name:
            return found[0]
        if sent:
            return f"“{announced.name}” to {to} port {port} from"
        name = spoken(announced.name, LONGEST_TITLE)
        return f"“{name}”" if name else found[0]

    return NAMELESS.sub(known, text)


def layout(stream: AnyStream, known: Announced | None = None) -> str:
    """What a packet holds, as far as it can be worked out: "48 kHz, 1 ms, 2 channels of 24 bit"."""
    if isinstance(stream, CountedStream):
        return f"counted by {stream.bits} bits, {stream.offset} bytes into its data"
    parts = []
    if stream.clock_hz:
        parts.append(f"{stream.clock_hz / 1000:g} kHz")
    if stream.packet_time_s:
        parts.append(f"{stream.packet_time_s * 1000:.3g} ms a packet")
    if stream.payload_type in L16_TYPES:
        parts.append(_channels(L16_TYPES[stream.payload_type], 16))
    elif stream.clock_hz != 90000 and stream.packet_stamps and stream.payload_type >= 96:  # 90 kHz: video
        encoding = known.media.encoding.upper() if known else ""
        told = {"L24": (24,), "L20": (20,), "L16": (16,)}.get(encoding, (24, 16) if not encoding else ())
        fits = [(count, bits) for bits in told if (count := channels(stream, bits))]
        if fits:
            parts.append(" or ".join(_channels(count, bits) for count, bits in fits))
        elif encoding:
            parts.append(encoding)
    return ", ".join(parts) or "format not known"


def channels(stream: RtpStream, bits: int) -> int | None:
    """How many channels of linear audio fill a packet exactly, or None."""
    if not stream.packet_stamps or stream.packet_stamps <= 0 or stream.media_bytes <= 0:
        return None
    count, rest = divmod(stream.media_bytes * 8, stream.packet_stamps * bits)
    return count if rest == 0 and count else None


def _channels(count: int, bits: int) -> str:
    return f"{counted(count, 'channel')} of {bits} bit"


def second_of_a_pair(some: Iterable[str], others: Iterable[str], wire: Wire) -> bool:
    """Whether nearly all streams of the ones have the source identifier of a stream of the others, as SMPTE
    ST 2022-7 asks of the two networks of a redundant pair."""
    sent: dict[str, set[int]] = defaultdict(set)
    for stream, flow in heard_streams(wire):
        sent[flow.source].add(stream.ssrc)
    one, other = ({ssrc for each in devices for ssrc in sent[each]} for devices in (others, some))
    return len(one & other) > 0.5 * max(len(other), 1)
