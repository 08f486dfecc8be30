"""Whether the streams are those of the rig sheet: there, from the right sender, in the planned format.

Strategy: a stream is the one of its group and port. What a packet holds is measured, and held against the sheet; what could not be
measured is not judged. A stream that does not come is missing only where it is due (see sheet_subject).
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import who
from preflight.checks.see.roll import Planned, planned_streams, whole_rate_hz
from preflight.checks.see.streams import SEEN_WHERE, channels, heard_streams, place
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.rig.budget import packet
from preflight.rig.sheet import Sheet, Stream
from preflight.tally.facts import Flow, RtpStream

CHECK = Check(
    name="stream-plan",
    subject="wire",
    order=360,
    asks=View,
    question="Are the streams those of the rig sheet?",
    looks_at=(
        "Each stream on the rig sheet (--sheet FILE) that names its group: whether it comes where it is due, who sends it, its "
        "sample rate, packet time and size. And streams that are not on the sheet."
    ),
    why="A stream in another format is silence at its receiver, or noise. One that nobody planned takes room.",
    limits=(
        Limit("rate_off", 0.03, "share of the planned sample rate", "common practice"),
        Limit("packet_time_off", 0.01, "share of the planned packet time", "common practice"),
    ),
    sources=("The rig sheet", "RFC 3190: 20 and 24 bit audio in RTP", "RFC 3550: timestamps"),
    fixes=(
        "Set the sender's stream as the rig sheet says: sample rate, channels, bits, packet time.",
        "Is all clocked at one sample rate? Check the master's rate first.",
        "Does a stream not come? See that its sender is on and sends, and that the receiver takes it up.",
        "Was the plan changed? Change the rig sheet too.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=SEEN_WHERE,
)


def judge(facts: Facts) -> Finding | None:
    sheet = facts.sheet
    if sheet is None or not any(stream.group for stream in sheet.stream):
        return None
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    planned = planned_streams(facts, sheet)
    wrong = [found for each in planned for found in _wrong(sheet, each)]
    extra = _extra(facts, planned)
    heard = sum(bool(each.heard) for each in planned)
    measured = {"planned": len(planned), "heard": heard, "wrong": len(wrong), "not_planned": len(extra)}
    if wrong or extra:
        first, more = (wrong or extra)[0][1].text, len(wrong or extra) - 1
        return Finding(
            CHECK.name,
            Outcome.FAIL if wrong else Outcome.CAUTION,
            f"{first}." + (f" And {more} more." if more else ""),
            evidence=tuple(evidence for _, evidence in (wrong + extra)[:8]),
            measured=measured,
            limits=CHECK.values(),
            fixes=CHECK.fixes,
            cautions=CHECK.cautions,
            culprits=tuple(dict.fromkeys(culprit for culprit, _ in wrong + extra if culprit)),
        )
    outcome = Outcome.PASS if heard else Outcome.UNPROVEN
    return Finding(
        CHECK.name,
        outcome,
        f"{heard} of {len(planned)} planned streams came by, as planned."
        if heard
        else "No stream of the rig sheet came by here.",
        measured=measured,
        limits=CHECK.values(),
        fixes=() if heard else (CHECK.unproven,),
    )


def _wrong(sheet: Sheet, planned: Planned) -> list[tuple[str, Evidence]]:
    """What is wrong with one stream, each with the culprit's hardware address."""
    stream = planned.stream
    sender = sheet.named(stream.sender)
    hardware = sender.hardware if sender else None
    if not planned.heard:
        if not planned.due:
            return []
        return [
            (
                hardware or stream.sender,
                Evidence(f"“{stream.name}” from {stream.sender} is due here, and does not come"),
            )
        ]
    # A stream that began anew has several numbers; the longest tells its format.
    measured, flow = max(planned.heard, key=lambda pair: pair[0].packets)
    found = []
    spare = next((d.hardware for d in sheet.device if d.spare_for == stream.sender), None)
    if hardware and flow.source not in (hardware, spare):
        found.append(
            f"“{stream.name}” comes from {who(flow.source, flow.source_ip)}, not from {stream.sender}"
        )
    if problem := _format(stream, measured):
        found.append(f"“{stream.name}” has {problem}")
    return [(flow.source, Evidence(text, measured.first_frame, measured.first_s)) for text in found]


def _format(stream: Stream, measured: RtpStream) -> str:
    """How the format differs from the plan, "" where it does not or could not be measured."""
    planned_hz, whole_hz = stream.sample_rate_hz, whole_rate_hz(measured)
    if not measured.packet_stamps or whole_hz is None:
        return ""
    # Its first packets and the whole of it: a sender that stumbles misleads one of them, another rate neither.
    whole_off = abs(whole_hz - planned_hz) > CHECK.limit("rate_off") * planned_hz
    if whole_off and measured.clock_hz and measured.clock_hz != planned_hz:
        return f"a sample rate of {measured.clock_hz / 1000:g} kHz, not {planned_hz / 1000:g} kHz"
    if whole_off:
        return ""
    each_ms = measured.packet_stamps / planned_hz * 1000
    if abs(each_ms - stream.packet_time_ms) > CHECK.limit("packet_time_off") * stream.packet_time_ms:
        return f"{each_ms:.3g} ms a packet, not {stream.packet_time_ms:g} ms"
    if measured.media_bytes != packet(stream).media:
        planned = f"{stream.channels} channels of {stream.bits} bit"
        fits = " or ".join(
            f"{n} channels of {bits} bit" for bits in (24, 16) if (n := channels(measured, bits))
        )
        return f"{fits or f'{measured.media_bytes} bytes a packet'}, not {planned}"
    return ""


def _extra(facts: Facts, planned: list[Planned]) -> list[tuple[str, Evidence]]:
    """Multicast streams of which the sheet knows nothing."""
    known = {(each.stream.group, each.stream.udp_port) for each in planned}
    unplanned: dict[tuple[str, int], tuple[RtpStream, Flow]] = {}
    for stream, flow in heard_streams(facts):
        if flow.cast == "multicast" and place(flow) not in known:
            unplanned.setdefault(place(flow), (stream, flow))
    return [
        (
            flow.source,
            Evidence(
                f"The stream to {flow.destination_ip} port {flow.destination_port} from {who(flow.source, flow.source_ip)} "
                "is not on the rig sheet",
                stream.first_frame,
                stream.first_s,
            ),
        )
        for stream, flow in unplanned.values()
    ]
