"""What the tallies say: rates, talkers, flows and copies, over every frame of a source.

Times are seconds from the first frame, frame numbers count from 1, bytes are on the wire: with FCS, preamble
and gap (24 bytes a frame more than captured, and at least 84).
"""

from dataclasses import dataclass
from typing import Literal

Cast = Literal["unicast", "multicast", "broadcast"]
Measure = Literal["broadcast", "discovery", "multicast", "unicast", "bytes", "sent_bytes"]
Transport = Literal["UDP/IPv4", "UDP/IPv6", "Ethernet"]


STREAM_PER_S = 40  # frames: blocks of 23 ms are the slowest. Common practice.
LEAST_BIT_S = 700_000  # one channel of 16 bit at 44.1 kHz is 706 kbit/s (IEC 60908, from memory)
NEVER_STREAMS = (0x0806, 0x8808, 0x88CC)  # ARP, MAC control, LLDP: IEEE registry of EtherTypes


@dataclass(frozen=True)
class Peak:
    """The most of one measure in any 100 ms bin and in any second (ten bins), and when these begin."""

    total: int
    in_100ms: int
    in_100ms_at_s: float
    in_1s: int
    in_1s_at_s: float


@dataclass(frozen=True)
class Rates:
    """`discovery` is multicast that talks about the network; `multicast` all other multicast; `bytes` those
    that came in, `sent_bytes` those that the capturing computer sent, where the capture tells. `queue_bytes`
    is the most that a port at the link's rate would have had to hold back of what came in. `longest_gap_s` is
    the longest time without any frame. The time line has rows of `width_s`; for each row and measure the sum
    and the most in any second that ends in it."""

    peaks: dict[Measure, Peak]
    busiest_ms_bytes: int
    busiest_ms_at_s: float
    queue_bytes: int
    queue_at_s: float
    longest_gap_s: float
    longest_gap_at_s: float
    width_s: float
    sums: dict[Measure, tuple[int, ...]]
    most_in_1s: dict[Measure, tuple[int, ...]]

    def spans(self, measure: Measure, at_least: float) -> tuple[tuple[float, float], ...]:
        """Stretches (start_s, end_s) in which a second held `at_least` of the measure; neighbours are
        joined."""
        spans: list[tuple[float, float]] = []
        for row, most in enumerate(self.most_in_1s[measure]):
            if most < at_least:
                continue
            start, end = max(row * self.width_s - 0.9, 0.0), (row + 1) * self.width_s
            if spans and start <= spans[-1][1]:
                spans[-1] = (spans[-1][0], end)
            else:
                spans.append((start, end))
        return tuple(spans)


@dataclass(frozen=True)
class Talker:
    """One sender by hardware address ("" where the link type has none). `most_broadcast` is in one second."""

    hardware: str
    frames: int
    bytes: int
    broadcast: int
    first_frame: int
    first_s: float
    last_s: float
    most_broadcast: int
    own: bool


@dataclass(frozen=True)
class Repeats:
    """Contents of a flow that came eight times or more in quick succession (5 ms or less from copy to copy on
    average; 60 ms in discovery, ARP, DHCP and RTP).

    `contents` of them and `copies` in all; `most` times the one that came most often, from a frame and a time
    on to a time. The first content to come for the eighth time did so at `eighth_frame`. From `first_s` to
    `last_s` any repeated."""

    contents: int
    copies: int
    most: int
    most_frame: int
    most_first_s: float
    most_last_s: float
    eighth_frame: int
    eighth_s: float
    first_s: float
    last_s: float


@dataclass(frozen=True)
class Flow:
    """Frames alike in addresses, type and ports. `protocol` is the IP protocol number or None.

    `bin_mean` and `bin_deviation` are frames in a full 100 ms bin over the `bins` that held any, first and
    last left out (frames held up and then sent at once count where they belong); `changes` counts frames
    whose content differs from the one before; `distinct` contents not seen in the last 20 ms; `repeats` those
    that came in quick succession; `cut` frames that the snap length cut; `sequence_steps` how often a 16-bit
    number where RTP has its sequence number went on by one; `numbered` whether another counter in it was
    followed.

    `hops_left` is the first frame's TTL or hop limit, `broken` tells that the IPv4 header (RFC 791) or the
    record of every frame is damaged. `dscp` and `pcp` are the priority marks of most frames (IP; VLAN tag),
    `other_marks` frames that are marked otherwise. `shortest` and `longest` are bytes without FCS; `runts`
    are shorter than 60, `giants` longer than 1514 and their tags. The pause quanta are those that pause
    frames ask for (512 bit times each; IEEE 802.3 annex 31B): the most in one frame, and their sum."""

    source: str
    destination: str
    cast: Cast
    discovery: bool
    ethertype: int
    vlan: int | None
    protocol: int | None
    source_port: int
    destination_port: int
    source_ip: str
    destination_ip: str
    hops_left: int | None
    broken: bool
    frames: int
    bytes: int
    first_frame: int
    first_s: float
    last_s: float
    most_in_1s: int
    most_in_1s_at_s: float
    bins: int
    bin_mean: float
    bin_deviation: float
    changes: int
    distinct: int
    repeats: Repeats | None
    cut: int
    sequence_steps: int
    numbered: bool
    dscp: int | None
    pcp: int | None
    other_marks: int
    shortest: int
    longest: int
    runts: int
    giants: int
    pause_most_quanta: int
    pause_sum_quanta: int

    @property
    def steady(self) -> bool:
        """Whether its frames come at a steady pace: 100 ms bins deviate by at most 15 % (few frames: 40 %, at
        most two frames), at least half of the bins between its first and its last frame hold some, and no
        second holds a burst beside them. Common practice."""
        mean = self.bin_mean
        return (
            self.bins >= 3
            and self.bin_deviation <= max(0.15 * mean, min(0.4 * mean, 2.0))
            and self.bins >= 5 * (self.last_s - self.first_s) - 2
            and self.most_in_1s <= 13 * mean + 10
        )

    @property
    def sane(self) -> bool:
        """Whether its addresses can be believed: they are no damaged ones, its sender is one device (IEEE
        802: a group sends nothing) and another than its receiver, and it went over a cable at all: a
        computer's loopback has no hardware addresses."""
        group = self.source[1:2] in tuple("13579bdf")
        return not self.broken and not group and self.source != self.destination

    @property
    def passed_on(self) -> bool:
        """Whether a router may have sent it on: hops are counted down from 64, 128 or 255 by each, and what
        is not to leave its link begins with 1. Common practice."""
        return self.hops_left not in (None, 1, 64, 128, 255)

    @property
    def per_s(self) -> float:
        """Its pace: by full bins where there are enough, else over its whole life."""
        if self.bins >= 3:
            return 10 * self.bin_mean
        return (self.frames - 1) / max(self.last_s - self.first_s, 0.001)

    @property
    def has_room(self) -> bool:
        """Whether it is large and quick enough to carry audio: `STREAM_PER_S` frames, longer than the
        shortest, of `LEAST_BIT_S`."""
        bit_s = 8 * self.bytes / max(self.frames, 1) * self.per_s
        return not self.clock and self.longest > 60 and self.per_s >= STREAM_PER_S and bit_s >= LEAST_BIT_S

    @property
    def copies(self) -> int:
        """Frames that are a copy of one shortly before."""
        return self.frames - self.distinct

    @property
    def clock(self) -> bool:
        """Whether it is PTP: UDP ports 319 and 320 or EtherType 0x88F7 (IEEE 1588 annexes D to F)."""
        return self.ethertype == 0x88F7 or (self.protocol == 17 and self.destination_port in (319, 320))

    @property
    def stream(self) -> bool:
        """Whether it behaves as a stream, however it is addressed: it is neither discovery nor the network's
        own talk, its content changes frame by frame, and it counts its frames (as RTP does, or otherwise with
        room for audio), or keeps a steady pace. To everybody or to one device, pace is enough only straight
        over Ethernet, with frames of one length and room for audio: programs keep a pace for a while. Streams
        are no storm. Half the frames may be copies, as a mirror makes them."""
        if (
            self.discovery
            or self.clock
            or self.protocol not in (None, 17)
            or self.changes <= 0.4 * self.frames
        ):
            return False
        if self.sequence_steps > 0.4 * self.frames or (self.numbered and self.has_room):
            return True
        plain = self.protocol is None and self.ethertype >= 1536 and self.ethertype not in NEVER_STREAMS
        return (
            self.steady
            and self.per_s >= STREAM_PER_S
            and (self.cast == "multicast" or (plain and self.shortest == self.longest and self.has_room))
        )


@dataclass(frozen=True)
class Copies:
    """Frames that came again byte for byte, each copy within 20 ms of the one before (60 ms in discovery,
    ARP, DHCP and RTP).

    `distinct` contents; `pairs` of them seen exactly twice, within a millisecond; `copies` frames that are
    one. `returned` counts this computer's own frames that came in again. `cut` frames were too short to
    compare."""

    distinct: int
    pairs: int
    copies: int
    returned: int
    returned_frame: int | None
    returned_s: float | None
    cut: int

    @property
    def mirrored(self) -> bool:
        """Whether frames come twice as at a mirror of several ports, or of both directions. An own frame that
        came back is a pair too, but of a loop. Common practice."""
        return self.distinct >= 20 and self.pairs - self.returned >= 0.4 * self.distinct


@dataclass(frozen=True)
class Loss:
    """A jump over sequence numbers: packets jumped over, time before and after, and the frame after."""

    packets: int
    start_s: float
    end_s: float
    frame: int

    @property
    def span(self) -> tuple[float, float]:
        return self.start_s, self.end_s


@dataclass(frozen=True)
class Course:
    """The pace of a count over its whole run, since it last began anew: units a second by the capture's
    clock, how far that may be off (in parts per million, 19 times in 20), and from when to when it was
    measured."""

    per_s: float
    unsure_ppm: float
    since_s: float
    until_s: float


@dataclass(frozen=True, kw_only=True)
class Stream:
    """A flow (index into the flows, None where it found no room) whose frames count themselves.

    `expected` packets by their numbers, `received` of them without `duplicates`, `late` ones that came after
    a later one. `losses` jumps over numbers, of which `first_losses` are kept, `longest_loss` packets missing
    in a row, at a frame and time. `longest_wait_s` is the longest time between two packets; it ends at
    `longest_wait_at_s`. `restarts` counts other beginnings. What is told only by timestamps is None or 0
    without them: `clock_hz`, `packet_stamps` (timestamp units from packet to packet), `most_jitter` (the most
    of RFC 3550 A.8, in these units), and `delay_spread_s`, the largest spread of the delay against the
    timestamps within one second: the receive buffer (link offset) that would have evened it out. `course` is
    that of the timestamps, or else of the numbers."""

    flow: int | None
    packets: int
    first_frame: int
    first_s: float
    last_s: float
    expected: int
    received: int
    duplicates: int
    late: int
    restarts: int
    losses: int
    first_losses: tuple[Loss, ...]
    last_loss_s: float | None
    longest_loss: int
    longest_loss_frame: int | None
    longest_loss_s: float | None
    longest_wait_s: float
    longest_wait_frame: int | None
    longest_wait_at_s: float
    clock_hz: int | None = None
    packet_stamps: int | None = None
    most_jitter: float | None = None
    delay_spread_s: float | None = None
    delay_spread_at_s: float = 0.0
    course: Course | None = None

    @property
    def lost(self) -> int:
        return max(self.expected - self.received, 0)

    @property
    def packet_time_s(self) -> float | None:
        if self.clock_hz and self.packet_stamps and self.packet_stamps > 0:
            return self.packet_stamps / self.clock_hz
        return None


@dataclass(frozen=True, kw_only=True)
class RtpStream(Stream):
    """One RTP stream: a flow and a synchronisation source. `media_bytes` is the payload of most packets, 0
    where they differ. While packets went on, timestamps jumped `stamp_jumps` times, the last time by
    `stamp_jump` units of the clock. `longest_still_s` is the longest time for which it was still on purpose,
    as one who speaks is between two sentences; `longest_wait_s` leaves that out."""

    ssrc: int
    payload_type: int
    media_bytes: int
    longest_still_s: float
    stamp_jumps: int
    stamp_jump: int
    stamp_jumped_frame: int | None
    stamp_jumped_s: float | None

    @property
    def real(self) -> bool:
        """Whether it is RTP at all: the timestamps go on with the numbers, whatever is missing or comes
        again; or nearly all packets follow one another. What only looks like RTP does neither."""
        return self.packets >= 10 and (
            bool(self.packet_stamps)
            or (self.expected <= 4 * self.received and self.duplicates <= 3 * self.received)
        )


@dataclass(frozen=True, kw_only=True)
class CountedStream(Stream):
    """A flow that is no RTP, with a counter of `bits` in its frames, `offset` bytes into its data (UDP's, or
    what follows the EtherType). `odd` frames had a number that fits nothing; `alike` jumps went between the
    same two numbers as the one before."""

    offset: int
    bits: int
    odd: int
    alike: int

    @property
    def real(self) -> bool:
        """Whether it is a counter at all, and no number that begins anew with each block, or by chance.
        Common practice."""
        return (
            (self.alike < 2 or 2 * self.alike < self.losses + self.restarts)
            and 500 * self.restarts <= self.received
            and 10 * self.odd <= self.packets
            and 2 * self.duplicates <= self.received
        )


@dataclass(frozen=True)
class ClockPort:
    """The PTP messages of one type from one port of one clock in one VLAN, or (`kind` "any master") the
    announcements of a domain whoever sent them.

    `clock` is the identity as 16 hex digits (12 in version 1), `sdo` the transportSpecific field: 1 is IEEE
    802.1AS. `interval_log2` is logMessageInterval. The time that it tells jumped `jumps` times, the last time
    by `jump_s` seconds. The fields from `grandmaster` on are of Announce, as in the last one: how the
    grandmaster is described, and when that changed."""

    transport: Transport
    version: int
    sdo: int
    domain: int
    kind: str
    clock: str
    port: int
    hardware: str
    count: int
    first_frame: int
    first_s: float
    last_s: float
    longest_interval_s: float
    longest_interval_at_s: float
    interval_log2: int
    two_step: bool
    vlan: int | None = None
    jumps: int = 0
    jump_s: float = 0.0
    jumped_s: float | None = None
    jumped_frame: int | None = None
    grandmaster: str = ""
    priority1: int = 0
    clock_class: int = 0
    accuracy: int = 0
    variance: int = 0
    priority2: int = 0
    steps_removed: int = 0
    changes: int = 0
    changed_s: float | None = None
    changed_frame: int | None = None

    @property
    def announces(self) -> bool:
        """Whether these messages say who leads: Announce, and in version 1 the Sync (IEEE 1588-2002 has no
        other)."""
        return self.kind == ("Sync" if self.version == 1 else "Announce")


@dataclass(frozen=True)
class MissingBeats:
    """Frames of a beat that never came: how many, after which time, noticed at which frame (None: while
    learning)."""

    frames: int
    after_s: float
    frame: int | None


@dataclass(frozen=True)
class PeriodicFlow:
    """A periodic flow (index into the flows): `per_beat` frames every `period_s`.

    `missing` frames never came, `late` ones came after their time in a bunch. `longest_wait_s` is the longest
    time without a frame while it ran. `stops` are silences of more than a second and ten periods: the sender
    ended and began anew. `events` are the first stretches of missing frames."""

    flow: int
    period_s: float
    per_beat: int
    beats: int
    missing: int
    late: int
    longest_wait_s: float
    longest_wait_at_s: float
    longest_wait_frame: int | None
    stops: int
    longest_stop_s: float
    events: tuple[MissingBeats, ...]


@dataclass(frozen=True)
class Shape:
    """What only pictures are drawn from. `close` are stretches of 100 ms: all of a minute, of a longer time
    those that stand out. Each has its start and, measure by measure, the counts of its 100 milliseconds.
    `senders` are the bytes of each sender in columns of `width_s`, under "" those of all that found no room.
    Counts are int64 in bytes: read them by `counts`."""

    close: tuple[tuple[float, bytes], ...] = ()
    width_s: float = 0.1
    senders: tuple[tuple[str, bytes], ...] = ()


def counts(packed: bytes) -> list[int]:
    return memoryview(packed).cast("q").tolist()


@dataclass(frozen=True)
class TallyFacts:
    """Talkers and flows come with the most frames first. The overflows count frames that found no room in the
    tables."""

    rates: Rates
    talkers: tuple[Talker, ...]
    flows: tuple[Flow, ...]
    copies: Copies
    streams: tuple[RtpStream, ...] = ()
    counted: tuple[CountedStream, ...] = ()
    clocks: tuple[ClockPort, ...] = ()
    periodic: tuple[PeriodicFlow, ...] = ()
    talker_overflow: int = 0
    flow_overflow: int = 0
    shape: Shape = Shape()
