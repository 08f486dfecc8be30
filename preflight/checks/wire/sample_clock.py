"""Whether what plays together runs at one sample clock: at one rate, and without drift.

Strategy: the tally has measured the pace of each stream over its whole run, of RTP by its timestamps, of
whatever else counts its frames by their numbers. This computer's clock is no truth, for it drifts as any
other: what is certain are only differences between streams that were heard over the same time. So one sender
alone is told, and not judged; where all differ from this computer alike, nothing is wrong. Numbers have no
nominal pace: those of nearly one pace are meant to have the same. Video and telephony have clocks of their
own by design, and receivers made for that.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations
from math import hypot
from statistics import median

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, passed, unproven
from preflight.checks.see.streams import (
    SEEN_WHERE,
    AnyStream,
    HeardAny,
    all_streams,
    called,
    channels,
    names,
    place,
)
from preflight.checks.step import before_doors, now
from preflight.tally.facts import Course, Flow, RtpStream

CHECK = Check(
    name="sample-clock",
    subject="wire",
    order=335,
    asks=Wire,
    watch="caution",
    soak="run",
    question="Do all streams run at one sample clock?",
    looks_at=(
        "The sample rate of each RTP stream of linear audio over all of its run, and the pace of every "
        "other stream that counts its frames; how far senders drift against one another, and against this "
        "computer."
    ),
    why=(
        "Two clocks are never the same. A receiver's buffer then runs full or dry: clicks, again and again, "
        "unless it converts sample rates. A stream of another rate is silence or noise."
    ),
    limits=(
        Limit(
            "apart_ppm", 10, "ppm between two senders", "AES5: what one sample clock may be off (from memory)"
        ),
        Limit("certain", 3, "times the uncertainty: so far apart they are for certain", "common practice"),
        Limit(
            "same_pace_ppm",
            1000,
            "ppm: frames so near in pace are meant to have the same",
            "IEC 60958-3 level II (from memory)",
        ),
        Limit("together_share", 0.9, "share of the time that both must have been heard", "common practice"),
    ),
    sources=(
        "RFC 3550 section 5.1: timestamps count samples; RFC 3190, RFC 3551: linear audio",
        "AES67: sample rates of 44.1, 48 and 96 kHz (from memory)",
        "AES11: synchronism of digital audio (from memory)",
        "Own method: `preflight/tally/course_kernels.py` tells how a pace is measured",
    ),
    fixes=(
        "Set each device named here to take its clock from the network, as the others do (PTP follower, or "
        "the system's one clock), and see that it says so.",
        now(
            "It does so already? Then it does not get the clock: look at what is said of the clock here, "
            "and at its port's multicast settings."
        ),
        "Does it run at a clock of its own on purpose? Then see that its receivers convert sample rates.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST, "A change of clock or sample rate interrupts the audio of that device."),
    unproven=f"{SEEN_WHERE} A minute shows a drift of 10 ppm.",
)
RATE_FIXES = (
    before_doors(
        "Set all senders to the rate of the show. A device that cannot do it: see that its receivers "
        "convert sample rates."
    ),
    now("Is all clocked at one rate? Check the rate of the device that leads first."),
    AGAIN,
)
LEAST_HZ, VIDEO_HZ = 44_100, 90_000  # RFC 3551: lower rates are of speech, 90 kHz is of video
WIDTHS = (16, 20, 24)  # bits of linear audio: RFC 3551, RFC 3190
MOST_SENDERS = 64  # that are compared: a flood of made-up ones must not stall the verdict
SHOWN = 8


@dataclass(frozen=True, eq=False)
class _Clock:
    """What a sender's clock is told from: the surest of its streams, and how many units a second that is
    meant to have."""

    stream: AnyStream
    flow: Flow
    course: Course
    nominal: float

    @property
    def ppm(self) -> float:
        """How much quicker than meant it runs by the capture's clock."""
        return (self.course.per_s / self.nominal - 1) * 1e6

    @property
    def unit(self) -> str:
        return "sample" if isinstance(self.stream, RtpStream) else "frame"

    @property
    def named(self) -> str:
        return who(self.flow.source, self.flow.source_ip)


@dataclass(frozen=True)
class _Pair:
    """Two clocks that were heard over the same time."""

    one: _Clock
    other: _Clock

    @property
    def ppm(self) -> float:
        return self.one.ppm - self.other.ppm

    @property
    def unsure_ppm(self) -> float:
        return hypot(self.one.course.unsure_ppm, self.other.course.unsure_ppm)


def judge(wire: Wire, limits: Limits) -> Says:
    heard = [(stream, flow) for stream, flow in all_streams(wire) if _by_samples(stream, flow)]
    if not heard:
        return  # stream-health tells that
    groups = [_by_sender(group) for group in _alike(heard, limits["same_pace_ppm"])]
    pairs = [pair for group in groups for pair in _pairs(group, limits["together_share"])]
    yield Measured(_figures(heard, groups, pairs), tuple(_by_this_computer(groups)))
    wrong = [*_mixed(heard, wire), *(saw for group in groups for saw in _apart(group, limits))]
    yield from wrong
    if wrong:
        return
    if not pairs:
        yield unproven("Drift shows only between senders: no two were heard together for long enough.")
        return
    bound = max(abs(pair.ppm) + limits["certain"] * pair.unsure_ppm for pair in pairs)
    many = counted(_senders(pairs), "sender")
    if bound > limits["apart_ppm"]:
        yield unproven(
            f"{many} may drift apart by up to {bound:.0f} ppm: this was too short for a closer word."
        )
    yield passed(
        f"{many} run at one sample clock: none drifts from another by more than {max(bound, 0.1):.1f} ppm."
    )


def _by_samples(stream: AnyStream, flow: Flow) -> bool:
    """Whether it goes by a sample clock: linear audio, or frames of one length that count themselves."""
    if not isinstance(stream, RtpStream):
        return flow.shortest == flow.longest
    hz = stream.clock_hz or 0
    return hz >= LEAST_HZ and hz != VIDEO_HZ and any(channels(stream, bits) for bits in WIDTHS)


def _alike(heard: list[HeardAny], same_ppm: float) -> Iterator[list[_Clock]]:
    """What can be compared: RTP by what its rate is meant to be; frames of nearly one pace, which are meant
    to have that of most."""
    yield [
        _Clock(stream, flow, stream.course, stream.clock_hz)
        for stream, flow in heard
        if stream.course is not None and stream.clock_hz
    ]
    paced = [
        (stream.course.per_s, stream, flow, stream.course)
        for stream, flow in heard
        if stream.course is not None and not stream.clock_hz
    ]
    paced.sort(key=lambda each: each[0])
    while paced:
        near = [each for each in paced if each[0] <= paced[0][0] * (1 + same_ppm * 1e-6)]
        paced = paced[len(near) :]
        meant = median(per_s for per_s, *_ in near)
        yield [_Clock(stream, flow, course, meant) for _, stream, flow, course in near]


def _by_sender(clocks: Iterable[_Clock]) -> list[_Clock]:
    """Of each sender the surest."""
    surest: dict[str, _Clock] = {}
    for clock in sorted(clocks, key=lambda clock: clock.course.unsure_ppm):
        surest.setdefault(clock.flow.source, clock)
    return list(surest.values())[:MOST_SENDERS]


def _pairs(clocks: list[_Clock], share: float) -> list[_Pair]:
    return [_Pair(one, other) for one, other in combinations(clocks, 2) if _together(one, other, share)]


def _together(one: _Clock, other: _Clock, share: float) -> bool:
    """Whether both were heard over the same time: a computer's clock is set now and then, and runs quicker or
    slower for a while."""
    a, b = one.course, other.course
    both = min(a.until_s, b.until_s) - max(a.since_s, b.since_s)
    return both >= share * max(a.until_s - a.since_s, b.until_s - b.since_s)


def _senders(pairs: list[_Pair]) -> int:
    return len({clock.flow.source for pair in pairs for clock in (pair.one, pair.other)})


def _apart(clocks: list[_Clock], limits: Limits) -> Iterator[Saw]:
    """Those that drift from the clock that most have."""
    drifts = {clock: [other for other in clocks if _drifts(clock, other, limits)] for clock in clocks}
    if not any(drifts.values()):
        return
    main = min(clocks, key=lambda clock: len(drifts[clock]))  # the surest of those that most agree with
    strays = sorted(drifts[main], key=lambda clock: -abs(clock.ppm - main.ppm))
    most = max(abs(clock.ppm - main.ppm) for clock in strays)
    agree = len(clocks) - len(strays)
    evidence = [_stray(clock, main) for clock in strays[:SHOWN]]
    if len(strays) > SHOWN:
        evidence.append(Evidence(f"and {counted(len(strays) - SHOWN, 'more sender')}"))
    if len(clocks) == 2:
        headline = (
            f"{main.named} and {strays[0].named} do not run at one clock: they drift apart by {most:.0f} ppm."
        )
    elif agree == 1:
        most = max(clock.ppm for clock in clocks) - min(clock.ppm for clock in clocks)
        headline = (
            f"No two of {len(clocks)} senders run at one clock: they drift apart by up to {most:.0f} ppm."
        )
    elif len(strays) == 1:
        headline = f"{strays[0].named} does not run at the others' clock: it drifts by {most:.0f} ppm."
    else:
        headline = f"{len(strays)} of {len(clocks)} senders do not run at the others' clock: they drift by up to {most:.0f} ppm."
    named = strays if agree > 1 else clocks
    yield caution(headline, evidence, culprits=[each.flow.source for each in named if each.flow.source][:16])


def _drifts(one: _Clock, other: _Clock, limits: Limits) -> bool:
    pair = _Pair(one, other)
    return (
        one is not other
        and _together(one, other, limits["together_share"])
        and abs(pair.ppm) >= limits["apart_ppm"]
        and abs(pair.ppm) >= limits["certain"] * pair.unsure_ppm
    )


def _stray(clock: _Clock, main: _Clock) -> Evidence:
    pair = _Pair(clock, main)
    each_s = 1e6 / (clock.nominal * abs(pair.ppm))
    return Evidence(
        f"{clock.named} runs {_off(pair.ppm, pair.unsure_ppm)} against {main.named}: a {clock.unit} too "
        f"{'many' if pair.ppm > 0 else 'few'} each {each_s:.2g} s",
        clock.stream.first_frame,
        clock.stream.first_s,
    )


def _off(ppm: float, unsure_ppm: float) -> str:
    if abs(ppm) <= unsure_ppm:
        return f"within {unsure_ppm:.1f} ppm"
    return f"{abs(ppm):.1f} ± {unsure_ppm:.1f} ppm too {'fast' if ppm > 0 else 'slow'}"


def _by_this_computer(groups: list[list[_Clock]]) -> Iterator[Evidence]:
    """The pace of RTP by this computer's clock, whose own drift is in it."""
    known = [clock for group in groups for clock in group if isinstance(clock.stream, RtpStream)]
    for clock in known[:SHOWN]:
        yield Evidence(
            f"{clock.named}: {clock.nominal / 1000:g} kHz, {_off(clock.ppm, clock.course.unsure_ppm)} by "
            "the clock of this capture, which may itself be off"
        )


def _mixed(heard: list[HeardAny], wire: Wire) -> Iterator[Saw]:
    """Sample rates beside that of most streams. Those that the rig sheet plans are judged by it."""
    rates: dict[int, list[HeardAny]] = defaultdict(list)
    for stream, flow in heard:
        if stream.clock_hz:
            rates[stream.clock_hz].append((stream, flow))
    planned = {(each.group, each.udp_port) for each in wire.sheet.stream} if wire.sheet is not None else set()
    order = sorted(rates, key=lambda hz: (-len(rates[hz]), hz))
    others = [each for hz in order[1:] for each in rates[hz] if place(each[1]) not in planned]
    if not others:
        return
    told = ", ".join(f"{counted(len(rates[hz]), 'stream')} at {hz / 1000:g} kHz" for hz in order)
    known = names(wire)
    yield caution(
        f"The streams have different sample rates: {told}.",
        [
            Evidence(
                f"{called(flow, known)}: {(stream.clock_hz or 0) / 1000:g} kHz",
                stream.first_frame,
                stream.first_s,
            )
            for stream, flow in others[:SHOWN]
        ]
        + [Evidence(f"and {counted(len(others) - SHOWN, 'more stream')}")] * (len(others) > SHOWN),
        culprits=list(dict.fromkeys(flow.source for _, flow in others if flow.source))[:16],
        fixes=RATE_FIXES,
    )


def _figures(heard: list[HeardAny], groups: list[list[_Clock]], pairs: list[_Pair]) -> dict[str, object]:
    return {
        "rates_hz": sorted({stream.clock_hz for stream, _ in heard if stream.clock_hz}),
        "senders_compared": _senders(pairs),
        "most_apart_ppm": round(max((abs(pair.ppm) for pair in pairs), default=0.0), 2),
        "clocks": [
            {
                "sender": clock.flow.source,
                "to": ":".join(map(str, place(clock.flow))),
                "unit": clock.unit,
                "per_s": round(clock.course.per_s, 4),
                "meant_per_s": round(clock.nominal, 4),
                "ppm_by_the_captures_clock": round(clock.ppm, 2),
                "unsure_ppm": round(clock.course.unsure_ppm, 2),
            }
            for group in groups
            for clock in group
        ],
    }
