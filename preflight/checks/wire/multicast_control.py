"""Multicast under control: one querier asks, members answer, and no stream flows that nobody asked for.

Strategy: switches that snoop send a group only where a member is, and forget a member that is not asked in time. So the
check keeps the membership table in capture time: when would each group run out if nobody asks? A querier asks every
125 s, so a short capture without a query proves nothing. And without snooping nobody needs a querier: its absence
fails only where streams did stop as their membership ran out, or where it asked before and fell silent.
"""

from dataclasses import dataclass
from itertools import pairwise

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, who
from preflight.checks.see.membership import (
    NO_ADDRESS,
    YIELD_S,
    Group,
    Querier,
    groups,
    queriers,
    rivals,
    unread_reporters,
)
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.wire.igmp import IgmpMessage

CHECK = Check(
    name="multicast-control",
    subject="wire",
    order=250,
    asks=View,
    question="Will the switches keep sending the streams where they are wanted?",
    looks_at=(
        "IGMP: who asks for members (the querier) and how often, who joined which group, which streams nobody joined, and "
        "when memberships would run out."
    ),
    why=(
        "Switches that snoop forget a receiver that nobody asks for. Without a querier the audio plays for four minutes, then "
        "stops."
    ),
    limits=(
        Limit(
            "query_interval", 125, "s between General Queries", "RFC 2236 section 8.2; RFC 3376 section 8.2"
        ),
        Limit(
            "membership_interval",
            260,
            "s: robustness 2 x 125 s + 10 s to answer",
            "RFC 2236 section 8.4; RFC 3376 section 8.4",
        ),
        Limit(
            "no_query",
            130,
            "s without a General Query before one is missed",
            "RFC 3376 section 8.2, and 5 s spare",
        ),
        Limit(
            "stopped_within",
            15,
            "s of the moment that its membership ran out, and a tenth of the interval",
            "common practice",
        ),
        Limit(
            "yield_within",
            YIELD_S,
            "s for the higher address to yield",
            "RFC 2236 section 3; the time: common practice",
        ),
    ),
    sources=(
        "RFC 2236 section 3: of two queriers the lower address asks on",
        "RFC 3376 sections 7 and 8: versions, timers",
        "RFC 4541 section 2.1.1: snooping; a query from 0.0.0.0 takes no part in the election",
    ),
    fixes=(
        "Turn the IGMP querier on in one switch, the one in the middle, and give that switch an IP address.",
        "Turn it off in all others. Set the same IGMP version everywhere: 2 or 3, never 1.",
        "IGMP snooping: on in every switch, or off in every switch.",
        "Run the line check again for three minutes.",
    ),
    cautions=(MUTE_FIRST, "Changes to IGMP cut streams for seconds to minutes: make them before doors."),
    unproven="Listen for at least three minutes (linecheck --listen 180s), so that a querier has to be heard.",
)


@dataclass(frozen=True)
class _Trouble:
    outcome: Outcome
    headline: str
    evidence: tuple[Evidence, ...] = ()
    culprits: tuple[str, ...] = ()
    span: tuple[float, float] | None = None


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    asking, table = queriers(facts), groups(facts)
    runs_out_s = asking[0].membership_s if asking else limits["membership_interval"]
    wanted = [g for g in table.values() if g.members or g.matters]
    measured = {
        "queriers": [
            {
                "address": q.address,
                "version": q.version,
                "interval_s": q.interval_s,
                "queries_read": len(q.times),
            }
            for q in asking[:8]
        ],
        "membership_interval_s": runs_out_s,
        "groups": {
            g.address: {
                "members": len(g.members),
                "frames": sum(f.frames for f in g.flows),
                "runs_out_s": None if g.joined_s is None else round(g.joined_s + runs_out_s, 1),
            }
            for g in sorted(wanted, key=lambda g: g.address)[:64]
        },
    }
    end = facts.source.duration_s
    troubles = [
        trouble
        for trouble in (
            _stopped(asking, wanted, runs_out_s, end),
            _silent(asking, wanted, end, facts),
            _missing(asking, wanted, runs_out_s, end, 2 if facts.source.dropped else 1),
            _two(asking),
            _without_address(asking),
            _versions(asking, facts),
            _nobody_joined(asking, wanted, facts),
        )
        if trouble is not None
    ]
    if not troubles:
        return _calm(asking, wanted, end, measured, limits)
    troubles.sort(key=lambda t: t.outcome != Outcome.FAIL)
    return Finding(
        CHECK.name,
        troubles[0].outcome,
        troubles[0].headline,
        evidence=tuple(
            each
            for trouble in troubles
            for each in (
                *((Evidence(trouble.headline),) if trouble is not troubles[0] else ()),
                *trouble.evidence,
            )
        )[:16],
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(c for trouble in troubles for c in trouble.culprits if c)),
        spans=tuple(trouble.span for trouble in troubles if trouble.span),
    )


def _calm(asking: list[Querier], wanted: list[Group], end: float, measured: dict, limits: dict) -> Finding:
    if asking:
        q = asking[0]
        every = f"every {q.interval_s} s" if q.version == 3 else f"in version {q.version}"
        headline = f"One querier asks {every}: {_name(q)}."
        return Finding(CHECK.name, Outcome.PASS, headline, measured=measured, limits=limits)
    headline = f"No querier was heard in {end:.0f} s; one may ask only every 125 s."
    if not wanted:
        headline = "No multicast stream and no member of one was heard, so nobody needs a querier here."
    return Finding(
        CHECK.name, Outcome.UNPROVEN, headline, measured=measured, limits=limits, fixes=(CHECK.unproven,)
    )


def _stopped(asking: list[Querier], wanted: list[Group], runs_out_s: float, end: float) -> _Trouble | None:
    """Streams that stopped when their membership ran out, while nobody asked: what snooping without querier does."""
    spare = min(CHECK.limit("stopped_within"), 0.1 * runs_out_s)
    queries = [t for q in asking for t in (*q.times, q.last_s)]
    stopped = [
        g
        for g in wanted
        if g.matters
        and g.joined_s is not None
        and end - g.last_s >= 5
        and abs(g.last_s - g.joined_s - runs_out_s) <= spare
        and not any(g.joined_s < t < g.last_s for t in queries)
    ]
    if not stopped:
        return None
    return _Trouble(
        Outcome.FAIL,
        f"{_streams(len(stopped))} stopped {runs_out_s:.0f} s after the receivers joined: nobody asks for members.",
        tuple(
            Evidence(
                f"{g.address}: joined at {_clock(g.joined_s or 0)}, stopped at {_clock(g.last_s)}",
                time_s=g.last_s,
            )
            for g in stopped[:6]
        ),
        span=(min(g.last_s for g in stopped), end),
    )


def _silent(asking: list[Querier], wanted: list[Group], end: float, facts: Facts) -> _Trouble | None:
    """A querier that asked, and then missed so many turns that memberships run out."""
    assert facts.source is not None
    if not asking or not wanted:
        return None
    last = max(asking, key=lambda q: q.last_s)
    lost = Outcome.CAUTION if facts.source.dropped else Outcome.FAIL
    if end - last.last_s > last.membership_s:
        return _Trouble(
            lost,
            f"The querier fell silent at {_clock(last.last_s)}; it asked every {last.interval_s} s before.",
            (
                Evidence(f"last query of {_name(last)}", time_s=last.last_s),
                *_run_outs(wanted, last.membership_s),
            ),
            (last.hardware,),
            (last.last_s, end),
        )
    if any(q.unread for q in asking):
        return None
    times = sorted(t for q in asking for t in q.times)
    gaps = [(b - a, a) for a, b in pairwise(times)]
    longest, at = max(gaps, default=(0.0, 0.0))
    if longest <= last.membership_s:
        return None
    return _Trouble(
        Outcome.CAUTION,
        f"The querier paused for {longest:.0f} s from {_clock(at)} on; after {last.membership_s:.0f} s memberships run out.",
        (Evidence(f"no query from {_name(last)}", time_s=at),),
        (last.hardware,),
        (at, at + longest),
    )


def _missing(
    asking: list[Querier], wanted: list[Group], runs_out_s: float, end: float, turns: int
) -> _Trouble | None:
    """No querier for so many `turns`: where frames were lost, one query may be among them."""
    if asking or not wanted or end <= turns * CHECK.limit("no_query"):
        return None
    outs = [g.joined_s + runs_out_s for g in wanted if g.joined_s is not None]
    when = (
        f"from minute {int(min(outs) // 60) + 1} of this capture on"
        if outs
        else "4 min 20 s after they began"
    )
    return _Trouble(
        Outcome.CAUTION,
        f"No querier in {end:.0f} s: if the switches snoop, streams stop {when}.",
        _run_outs(wanted, runs_out_s),
        span=(0.0, end),
    )


def _run_outs(wanted: list[Group], runs_out_s: float) -> tuple[Evidence, ...]:
    joined = sorted((g.joined_s, g.address, len(g.members)) for g in wanted if g.joined_s is not None)
    return tuple(
        Evidence(
            f"{address}: {members} joined, last at {_clock(at)}; runs out at {_clock(at + runs_out_s)}",
            time_s=at,
        )
        for at, address, members in joined[:6]
    )


def _two(asking: list[Querier]) -> _Trouble | None:
    found = rivals(asking)
    if found is None:
        return None
    low, high, at = found
    text = f"Two queriers ask at once: {_name(low)} and {_name(high)}."
    return _Trouble(
        Outcome.CAUTION,
        text,
        (
            Evidence(
                f"{high.address} should have yielded to {low.address}, and asked again at {_clock(at)}",
                time_s=at,
            ),
        ),
        (low.hardware, high.hardware),
    )


def _without_address(asking: list[Querier]) -> _Trouble | None:
    if not asking or any(q.address != NO_ADDRESS for q in asking):
        return None
    return _Trouble(
        Outcome.CAUTION,
        f"The only querier asks without an IP address (0.0.0.0): {_name(asking[0])}. Some devices and switches ignore it.",
        (Evidence("first query from 0.0.0.0", asking[0].first_frame, asking[0].times[0]),),
        (asking[0].hardware,),
    )


def _versions(asking: list[Querier], facts: Facts) -> _Trouble | None:
    """A querier of version 1 cannot be left, and hosts that keep to version 3 are not understood by one of version 2."""
    old = [q for q in asking if q.version == 1]
    if old:
        return _Trouble(
            Outcome.CAUTION,
            f"The querier speaks IGMP version 1: {_name(old[0])}. Nobody can leave a group.",
            (Evidence("first query of version 1", old[0].first_frame, old[0].times[0]),),
            (old[0].hardware,),
        )
    versions = sorted({q.version for q in asking if q.address != NO_ADDRESS})
    if versions != [2]:
        return None
    # The answer may have been under way: after the response time hosts speak version 2 (RFC 3376 section 7.2.1).
    heard = min(q.times[0] + q.response_s for q in asking)
    stubborn: dict[str, list[IgmpMessage]] = {}
    for m in facts.heard(IgmpMessage):
        if m.kind == "report" and m.version == 3 and m.seen.time_s > heard:
            stubborn.setdefault(m.seen.src, []).append(m)
    stubborn = {source: messages for source, messages in stubborn.items() if len(messages) >= 2}
    if not stubborn:
        return None
    return _Trouble(
        Outcome.CAUTION,
        f"The querier speaks IGMP version 2, {_devices(len(stubborn))} answer in version 3.",
        tuple(
            Evidence(f"{who(source, m[0].source)} reports in version 3", m[0].seen.frame, m[0].seen.time_s)
            for source, m in list(stubborn.items())[:4]
        ),
        tuple(stubborn),
    )


def _nobody_joined(asking: list[Querier], wanted: list[Group], facts: Facts) -> _Trouble | None:
    """Streams without a member, told only where all reports come by: at a device's own port, when others were heard to
    answer a query in full."""
    assert facts.source is not None
    if facts.vantage != "access port" or facts.source.dropped or unread_reporters(facts):
        return None
    asked = [t + q.response_s + 1 for q in asking for t in q.times]
    if not asked or facts.source.duration_s < min(asked):
        return None
    answered = min(asked)
    others = {
        m.seen.src
        for m in facts.heard(IgmpMessage)
        if m.kind == "report" and not m.seen.outgoing and m.seen.time_s > answered - asking[0].response_s - 1
    }
    if len(others) < 2:
        return None
    alone = [
        g
        for g in wanted
        if not g.ever_joined and g.last_s > answered and sum(f.frames for f in g.flows if f.stream) >= 100
    ]
    if not alone:
        return None
    return _Trouble(
        Outcome.CAUTION,
        f"{_streams(len(alone))} {'flows' if len(alone) == 1 else 'flow'}, but nobody joined: switches send that everywhere, or nowhere.",
        tuple(
            Evidence(
                f"{g.address}: {count_text(sum(f.frames for f in g.flows))} frames from "
                f"{who(g.flows[0].source, g.flows[0].source_ip)}",
                frame=g.flows[0].first_frame,
                time_s=g.flows[0].first_s,
            )
            for g in alone[:6]
        ),
    )


def _name(querier: Querier) -> str:
    address = "" if querier.address == NO_ADDRESS else querier.address
    return f"this computer ({address})" if querier.own else who(querier.hardware, address)


def _streams(count: int) -> str:
    return "1 stream" if count == 1 else f"{count_text(count)} streams"


def _devices(count: int) -> str:
    return "1 device" if count == 1 else f"{count_text(count)} devices"


def _clock(seconds: float) -> str:
    """12:05 for minutes and seconds of the capture."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"
