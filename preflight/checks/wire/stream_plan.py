"""Whether the streams are those of the rig sheet: there, from the right sender, in the planned format.

Strategy: a stream is the one of its group and port. What a packet holds is measured, and held against the
sheet; what could not be measured is not judged. A stream that does not come is missing only where it is due
(see see/inventory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from preflight.checks.asks import PlannedWire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, unproven
from preflight.checks.see.inventory import Planned, planned_streams
from preflight.checks.see.streams import SEEN_WHERE, channels, heard_streams, place
from preflight.checks.step import now
from preflight.tally.facts import Flow, RtpStream

if TYPE_CHECKING:
    from preflight.rig.sheet import Sheet, Stream

CHECK = Check(
    name="stream-plan",
    subject="wire",
    order=360,
    asks=PlannedWire,
    question="Are the streams those of the rig sheet?",
    looks_at=(
        "Each stream on the rig sheet (--sheet FILE) that names its group: whether it comes where it is "
        "due, who sends it, its sample rate, packet time and size. And streams that are not on the sheet."
    ),
    why="A stream in another format is silence at its receiver, or noise. One that nobody planned takes "
    "room.",
    limits=(
        Limit("rate_off", 0.03, "share of the planned sample rate", "common practice"),
        Limit("packet_time_off", 0.01, "share of the planned packet time", "common practice"),
    ),
    sources=("The rig sheet", "RFC 3190: 20 and 24 bit audio in RTP", "RFC 3550: timestamps"),
    fixes=(
        "Set the sender's stream as the rig sheet says: sample rate, channels, bits, packet time.",
        now("Is all clocked at one sample rate? Check the master's rate first."),
        now(
            "Does a stream not come? See that its sender is on and sends, and that the receiver takes it up."
        ),
        now("Was the plan changed? Change the rig sheet too."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=SEEN_WHERE,
)


def judge(wire: PlannedWire, limits: Limits) -> Says:
    planned = planned_streams(wire, wire.sheet)
    if not planned:
        return
    wrong = [saw for each in planned for saw in _wrong(wire.sheet, each, limits)]
    extra = list(_extra(wire, planned))
    heard = sum(bool(each.heard) for each in planned)
    yield Measured({"planned": len(planned), "heard": heard, "wrong": len(wrong), "not_planned": len(extra)})
    yield from wrong
    yield from extra
    if heard:
        yield passed(f"{heard} of {len(planned)} planned streams came by, as planned.")
    elif not wrong and not extra:
        yield unproven("No stream of the rig sheet came by here.")


def _wrong(sheet: Sheet, planned: Planned, limits: Limits) -> Iterator[Saw]:
    """What is wrong with one stream."""
    stream = planned.stream
    sender = sheet.named(stream.sender)
    hardware = sender.hardware if sender else None
    if not planned.heard:
        if planned.due:
            headline = f"“{stream.name}” from {stream.sender} is due here, and does not come."
            yield fail(headline, culprits=[hardware or stream.sender])
        return
    # A stream that began anew has several numbers; the longest tells its format.
    measured, flow = max(planned.heard, key=lambda pair: pair[0].packets)
    spares = {device.hardware for device in sheet.device if device.spare_for == stream.sender}
    if hardware and flow.source not in {hardware, *spares}:
        source = who(flow.source, flow.source_ip)
        yield _seen(fail, measured, flow, f"“{stream.name}” comes from {source}, not from {stream.sender}.")
    if problem := _other_format(stream, measured, limits):
        yield _seen(fail, measured, flow, f"“{stream.name}” has {problem}.")


def _seen(how: Callable[..., Saw], stream: RtpStream, flow: Flow, headline: str) -> Saw:
    first = Evidence("its first packet", stream.first_frame, stream.first_s)
    return how(headline, [first], culprits=filter(None, [flow.source]))


def _other_format(stream: Stream, measured: RtpStream, limits: Limits) -> str:
    """How the format differs from the plan, "" where it does not or could not be measured."""
    from preflight.rig.budget import packet  # with networkx, and where a sheet is given

    planned_hz, hz = stream.sample_rate_hz, measured.clock_hz
    if not measured.packet_stamps or hz is None:
        return ""
    if abs(hz - planned_hz) > limits["rate_off"] * planned_hz:
        return f"a sample rate of {hz / 1000:g} kHz, not {planned_hz / 1000:g} kHz"
    each_ms = measured.packet_stamps / planned_hz * 1000
    if abs(each_ms - stream.packet_time_ms) > limits["packet_time_off"] * stream.packet_time_ms:
        return f"{each_ms:.3g} ms a packet, not {stream.packet_time_ms:g} ms"
    if measured.media_bytes == packet(stream).media:
        return ""
    fits = [f"{n} channels of {bits} bit" for bits in (24, 16) if (n := channels(measured, bits))]
    found = " or ".join(fits) or f"{measured.media_bytes} bytes a packet"
    return f"{found}, not {stream.channels} channels of {stream.bits} bit"


def _extra(wire: PlannedWire, planned: list[Planned]) -> Iterator[Saw]:
    """Multicast streams of which the sheet knows nothing."""
    known = {(each.stream.group, each.stream.udp_port) for each in planned}
    for stream, flow in heard_streams(wire):
        if flow.cast == "multicast" and place(flow) not in known:
            known.add(place(flow))
            to = f"{flow.destination_ip} port {flow.destination_port}"
            source = who(flow.source, flow.source_ip)
            yield _seen(caution, stream, flow, f"The stream to {to} from {source} is not on the rig sheet.")
