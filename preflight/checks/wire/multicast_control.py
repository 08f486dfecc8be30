"""Multicast under control: one querier asks, members answer, and no stream flows that nobody asked for.

Strategy: switches that snoop send a group only where a member is, and forget a member that is not asked in
time. So the check keeps the membership table in capture time: when would each group run out if nobody asks? A
querier asks every 125 s, so a short capture without a query proves nothing. And without snooping nobody needs
a querier: its absence fails only where streams did stop as their membership ran out, or where it asked before
and fell silent.
"""

from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted, first_upper, span_text, who
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, trouble, unproven
from preflight.checks.see.addresses import block, usable4
from preflight.checks.see.flows import shown
from preflight.checks.see.membership import (
    NO_ADDRESS,
    Group,
    Querier,
    groups,
    queriers,
    rivals,
    unread_reporters,
)
from preflight.checks.see.routers import SERVES, of_a_switch, router_signs, switches
from preflight.checks.see.streams import all_streams, names, title
from preflight.checks.step import before_doors, managed, now, unmanaged
from preflight.frames.facts import SourceFacts
from preflight.wire.arp import ArpMessage
from preflight.wire.datagram import IPV6
from preflight.wire.igmp import IgmpMessage

CHECK = Check(
    name="multicast-control",
    subject="wire",
    order=250,
    asks=Wire,
    question="Will the switches keep sending the streams where they are wanted?",
    looks_at=(
        "IGMP: who asks for members (the querier) and how often, who joined which group, which streams "
        "nobody joined, and when memberships would run out."
    ),
    why=(
        "Switches that snoop forget a receiver that nobody asks for. Without a querier the audio plays for "
        "four minutes, then stops."
    ),
    limits=(
        Limit(
            "query_interval",
            125,
            "s between queries, where the querier does not tell",
            "RFC 3376 section 8.2",
        ),
        Limit("membership_interval", 260, "s: robustness 2 x 125 s + 10 s to answer", "RFC 3376 section 8.4"),
        Limit(
            "no_query", 130, "s without a query before one is missed", "RFC 3376 section 8.2, and 5 s spare"
        ),
        Limit("stopped_for", 5, "s of silence before a stream counts as stopped", "common practice"),
        Limit("stopped_within", 15, "s of the moment that its membership ran out", "common practice"),
        Limit("stopped_share", 0.1, "of the membership interval, where that is less", "common practice"),
        Limit(
            "yield_within",
            0.1,
            "s for the higher address to yield: a query may be under way",
            "RFC 2236 section 3; the time: common practice",
        ),
    ),
    sources=(
        "RFC 2236 section 3: of two queriers the lower address asks on",
        "RFC 3376 sections 7 and 8: versions, timers",
        "RFC 4541 section 2.1.1: snooping; a query from 0.0.0.0 takes no part in the election",
    ),
    fixes=(
        managed(
            before_doors(
                "Turn the IGMP querier on in one switch, the one in the middle, and give that switch an IP "
                "address."
            )
        ),
        managed(
            before_doors("Turn it off in all others. Set the same IGMP version everywhere: 2 or 3, never 1.")
        ),
        managed(before_doors("IGMP snooping: on in every switch, or off in every switch.")),
        unmanaged(
            before_doors(
                "It sends multicast everywhere, and needs no querier. Are others managed? Turn snooping off "
                "in those, or a querier on."
            )
        ),
        now("Run the line check again for three minutes."),
    ),
    cautions=(MUTE_FIRST, "Changes to IGMP cut streams for seconds to minutes: make them before doors."),
    unproven="Listen for at least three minutes (linecheck --listen 180s), so that a querier has to be "
    "heard.",
)


ROUTER_FIXES = (
    managed(
        before_doors(
            "First turn the IGMP querier on in one switch, the one in the middle, and give that switch an "
            "IP address of the show's subnet."
        )
    ),
    unmanaged(
        before_doors(
            "It sends multicast everywhere, and needs no querier. Are others managed? Turn a querier on in "
            "one of those first."
        )
    ),
    before_doors(
        "Then unplug the device named here, or turn its querier (IGMP proxy or snooping) off. In the other "
        "order the streams stop after minutes."
    ),
    before_doors("Is it a switch after all? Give it an address of the show's subnet."),
    now("Run the line check again for three minutes."),
)
SELDOM_FIXES = (
    managed(
        before_doors(
            "Have the querier named here ask at least every 125 s, and set the same IGMP version and timers "
            "in every switch."
        )
    ),
    managed(
        now("Until then: a receiver whose stream stopped gets it back when it joins anew (route it again).")
    ),
    now("Run the line check again for five minutes."),
)
# SSDP and WS-Discovery, SLP: IANA multicast address registry. Nobody hears audio by them.
DISCOVERY_GROUPS = ("239.255.255.250", "239.255.255.253")


def judge(wire: Wire, limits: Limits) -> Says:
    asking, table = queriers(wire, limits["query_interval"]), groups(wire)
    runs_out_s = asking[0].membership_s if asking else limits["membership_interval"]
    wanted = [g for g in table.values() if g.members or g.matters]
    yield Measured(
        {
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
    )
    yield from _stopped(asking, wanted, runs_out_s, wire, limits)
    yield from _away(asking, runs_out_s, wire, limits)
    if not asking:
        yield _missing(wanted, runs_out_s, wire, limits)
        return
    if wanted:
        yield from _silent(asking, wanted, wire.source)
    if found := rivals(asking, limits["yield_within"]):
        low, high, at_s = found
        text = f"{high.address} should have yielded to {low.address}, and asked again at {_clock(at_s)}"
        yield caution(
            f"Two queriers ask at once: {_name(low)} and {_name(high)}.",
            [Evidence(text, time_s=at_s)],
            culprits=(low.hardware, high.hardware),
        )
    yield from _routers(asking, wire)
    first = asking[0]
    if all(q.address == NO_ADDRESS for q in asking):
        yield caution(
            f"The only querier asks without an IP address (0.0.0.0): {_name(first)}. Some devices and "
            "switches ignore it.",
            [Evidence("first query from 0.0.0.0", first.first_frame, first.times[0])],
            culprits=[first.hardware],
        )
    yield from _versions(asking, wire)
    yield from _nobody_joined(asking, wanted, wire)
    every = (
        f", every {first.interval_s:g} s as it says" if first.version == 3 else f" in version {first.version}"
    )
    yield passed(f"One querier asks{every}: {_name(first)}.")


def _stopped(
    asking: list[Querier], wanted: list[Group], runs_out_s: float, wire: Wire, limits: Limits
) -> Iterator[Saw]:
    """Streams that stopped when their membership ran out, while nobody asked: what snooping without querier
    does."""
    end = wire.source.duration_s
    spare = min(limits["stopped_within"], limits["stopped_share"] * runs_out_s)
    queries = [t for q in asking for t in (*q.times, q.last_s)]
    stopped = [
        (joined_s, g)
        for joined_s, g in _joined(wanted)
        if g.matters
        and end - g.last_s >= limits["stopped_for"]
        and abs(g.last_s - joined_s - runs_out_s) <= spare
        and not any(joined_s < t < g.last_s for t in queries)
    ]
    if stopped:
        yield fail(
            f"{_streams([g for _, g in stopped], wire)} stopped {runs_out_s:.0f} s after the receivers "
            "joined: nobody asks for members.",
            [
                Evidence(
                    f"{g.address}: joined at {_clock(joined_s)}, stopped at {_clock(g.last_s)}",
                    time_s=g.last_s,
                )
                for joined_s, g in stopped[:6]
            ],
            spans=[(min(g.last_s for _, g in stopped), end)],
        )


def _away(asking: list[Querier], runs_out_s: float, wire: Wire, limits: Limits) -> Iterator[Saw]:
    """Streams that stopped when their membership ran out, and came back once members were asked, or joined
    anew. Version 2 does not tell the switches how long that is: they have the usual time, however slowly the
    querier asks."""
    if unread_reporters(wire) or any(q.unread for q in asking):
        return
    queries = [t for q in asking for t in q.times]
    joined: dict[str, list[float]] = defaultdict(list)
    for message in wire.heard(IgmpMessage):
        for address in message.joined if message.kind == "report" else ():
            joined[address].append(message.seen.time_s)
    found: dict[str, tuple[float, float, float]] = {}
    for stream, flow in all_streams(wire):
        waits = [loss.span for loss in stream.first_losses]
        waits.append((stream.longest_wait_at_s - stream.longest_wait_s, stream.longest_wait_at_s))
        for start, end in waits:
            before = [t for t in joined[flow.destination_ip] if t <= start]
            anew = any(start < t <= end for t in queries + joined[flow.destination_ip])
            if end - start < limits["stopped_for"] or not before or not anew:
                continue
            for lasts_s in {runs_out_s, limits["membership_interval"]}:
                spare = min(limits["stopped_within"], limits["stopped_share"] * lasts_s)
                idle = not any(before[-1] < t < start for t in queries)
                if idle and abs(start - before[-1] - lasts_s) <= spare:
                    found[flow.destination_ip] = (lasts_s, start, end)
    if found:
        lasts_s, start, end = min(found.values(), key=lambda each: each[1])
        some = [g for g in groups(wire).values() if g.address in found]
        yield fail(
            f"{_streams(some, wire)} stopped{{at}}, {lasts_s:.0f} s after the receivers joined, and came "
            "back when they joined anew: "
            f"{'members are asked too seldom' if asking else 'nobody asks for members'}.",
            [
                Evidence(f"{address}: away from {_clock(start)} to {_clock(end)}", time_s=start)
                for address, (_, start, end) in sorted(found.items())[:6]
            ]
            + [Evidence(f"asked by {_name(q)}", q.first_frame, q.times[0]) for q in asking[:2]],
            culprits=[q.hardware for q in asking],
            spans=[(start, end) for _, start, end in found.values()],
            at=f" at {_clock(start)}",
            fixes=SELDOM_FIXES if asking else None,
        )


def _missing(wanted: list[Group], runs_out_s: float, wire: Wire, limits: Limits) -> Saw:
    """There is no querier. Where frames were lost, one query may be among them. What is seen to outlive its
    memberships is not stopped by any switch on the way here; a mirror shows it before the switch."""
    source = wire.source
    end = source.duration_s
    wanted = [g for g in wanted if g.address not in DISCOVERY_GROUPS]
    if not wanted and any(
        f.cast == "multicast" and f.ethertype == IPV6 and (f.stream or f.clock) for f in wire.tally.flows
    ):
        return unproven(
            "What flows to groups here goes by IPv6: who asks for their members (by MLD) is not judged.",
            fixes=[now("See in each switch that MLD snooping has a querier, as IGMP has, or is off in all.")],
        )
    if not wanted:
        return unproven("No multicast stream and no member of one was heard, so nobody needs a querier here.")
    if end <= limits["no_query"] * (2 if source.dropped else 1):
        return unproven(
            f"No querier was heard in {end:.0f} s; one may ask only every {limits['query_interval']:g} s."
        )
    outs = [joined_s + runs_out_s for joined_s, _ in _joined(wanted)]
    if (
        wire.vantage != "mirror"
        and all(_outlives(g, runs_out_s, limits) for g in wanted if g.matters)
        and any(g.matters for g in wanted)
    ):
        return passed(
            f"No querier in {end:.0f} s, and every stream goes on for longer than {runs_out_s:.0f} s: "
            "nothing here stops them."
        )
    return caution(
        f"No querier in {end:.0f} s: if the switches snoop, streams stop{{at}}.",
        _run_outs(wanted, runs_out_s),
        at=f" from minute {int(min(outs) // 60) + 1} of this capture on"
        if outs
        else f" {span_text(runs_out_s)} after they began",
        spans=[(0.0, end)],
    )


def _outlives(group: Group, runs_out_s: float, limits: Limits) -> bool:
    """Whether its frames came on for so long after the last that anybody asked for it, or after they
    began."""
    since = group.joined_s if group.joined_s is not None else min(f.first_s for f in group.flows)
    return group.last_s > since + runs_out_s + limits["stopped_within"]


def _silent(asking: list[Querier], wanted: list[Group], source: SourceFacts) -> Iterator[Saw]:
    """A querier that asked, and then missed so many turns that memberships run out."""
    last, end = max(asking, key=lambda q: q.last_s), source.duration_s
    if end - last.last_s > last.membership_s:
        every = f"every {last.interval_s:g} s"
        asked = f"asked {every} before" if len(last.times) > 1 else f"has to ask {every}"
        yield trouble(
            Outcome.CAUTION if source.dropped else Outcome.FAIL,
            f"The querier fell silent{{at}}; it {asked}.",
            [
                Evidence(f"last query of {_name(last)}", time_s=last.last_s),
                *_run_outs(wanted, last.membership_s),
            ],
            culprits=[last.hardware],
            spans=[(last.last_s, end)],
            at=f" at {_clock(last.last_s)}",
        )
    elif not any(q.unread for q in asking):
        times = sorted(t for q in asking for t in q.times)
        longest, at_s = max(((b - a, a) for a, b in pairwise(times)), default=(0.0, 0.0))
        if longest > last.membership_s:
            yield caution(
                f"The querier paused for {longest:.0f} s{{at}}; after {last.membership_s:.0f} s "
                "memberships run out.",
                [Evidence(f"no query from {_name(last)}", time_s=at_s)],
                culprits=[last.hardware],
                spans=[(at_s, at_s + longest)],
                at=f" from {_clock(at_s)} on",
            )


def _routers(asking: list[Querier], wire: Wire) -> Iterator[Saw]:
    """Queriers that are routers of another network rather than switches of this one."""
    switching = switches(wire)
    for querier in asking:
        if querier.own or of_a_switch(querier.hardware, switching):
            continue
        signs = [*router_signs(wire, querier.hardware, querier.address)]
        if signs:
            is_what = "a router" if [each.text for each in signs] != [SERVES] else "also a DHCP server"
            yield caution(
                f"The querier is {is_what}: {_name(querier)}. The streams depend on it.",
                [Evidence("first query", querier.first_frame, querier.times[0]), *signs],
                culprits=[querier.hardware],
                fixes=ROUTER_FIXES,
            )
        elif elsewhere := _elsewhere(querier, wire):
            yield caution(
                f"The querier is of another subnet than the devices: {_name(querier)}. It may be a router.",
                [Evidence("first query", querier.first_frame, querier.times[0]), Evidence(elsewhere)],
                culprits=[querier.hardware],
                fixes=ROUTER_FIXES,
            )


def _elsewhere(querier: Querier, wire: Wire) -> str:
    """How its address stands beside those of the others, where all of these are in one block and it is
    not."""
    own = usable4(querier.address)
    others = [
        address
        for arp in wire.heard(ArpMessage)
        if arp.sender_hardware != querier.hardware and (address := usable4(arp.sender_address)) is not None
    ]
    others += [
        address
        for flow in wire.tally.flows
        if flow.cast != "unicast"
        and flow.source != querier.hardware
        and (address := usable4(flow.source_ip)) is not None
    ]
    blocks = {block(address) for address in others}
    if own is None or len(blocks) != 1 or block(own) in blocks:
        return ""
    return f"the devices have addresses in {blocks.pop()}, it asks from {own}"


def _versions(asking: list[Querier], wire: Wire) -> Iterator[Saw]:
    """A querier of version 1 cannot be left, and hosts that keep to version 3 are not understood by one of
    version 2."""
    if old := next((q for q in asking if q.version == 1), None):
        yield caution(
            f"The querier speaks IGMP version 1: {_name(old)}. Nobody can leave a group.",
            [Evidence("first query of version 1", old.first_frame, old.times[0])],
            culprits=[old.hardware],
        )
        return
    if {q.version for q in asking if q.address != NO_ADDRESS} != {2}:
        return
    # The answer may have been under way: after the response time hosts speak version 2 (RFC 3376 section
    # 7.2.1).
    heard_s = min(q.times[0] + q.response_s for q in asking)
    reports: dict[str, list[IgmpMessage]] = defaultdict(list)
    for m in wire.heard(IgmpMessage):
        if m.kind == "report" and m.version == 3 and m.seen.time_s > heard_s:
            reports[m.seen.src].append(m)
    stubborn = {source: messages[0] for source, messages in reports.items() if len(messages) >= 2}
    if stubborn:
        yield caution(
            f"The querier speaks IGMP version 2, {counted(len(stubborn), 'device')} answer in version 3.",
            [
                Evidence(f"{who(source, m.source)} reports in version 3", m.seen.frame, m.seen.time_s)
                for source, m in list(stubborn.items())[:4]
            ],
            culprits=stubborn,
        )


def _nobody_joined(asking: list[Querier], wanted: list[Group], wire: Wire) -> Iterator[Saw]:
    """Streams without a member, told only where all reports come by: at a device's own port, when others were
    heard to answer a query in full."""
    if wire.vantage != "access port" or wire.source.dropped or unread_reporters(wire):
        return
    answered = min(t + q.response_s + 1 for q in asking for t in q.times)
    others = {
        m.seen.src
        for m in wire.heard(IgmpMessage)
        if m.kind == "report" and not m.seen.outgoing and m.seen.time_s > answered - asking[0].response_s - 1
    }
    alone = [
        g
        for g in wanted
        if not g.ever_joined and g.last_s > answered and sum(f.frames for f in g.flows if f.stream) >= 100
    ]
    if len(others) >= 2 and alone:
        yield caution(
            f"{_streams(alone, wire)} {'flows' if len(alone) == 1 else 'flow'}, but nobody joined: "
            "switches send that everywhere, or nowhere.",
            [
                shown(
                    f"{g.address}: {counted(sum(f.frames for f in g.flows), 'frame')} from "
                    f"{who(g.flows[0].source, g.flows[0].source_ip)}",
                    g.flows[0],
                )
                for g in alone[:6]
            ],
        )


def _streams(some: list[Group], wire: Wire) -> str:
    """In a headline: one by its name; several have the fault in common."""
    if len(some) > 1:
        return counted(len(some), "stream")
    return first_upper(title(max(some[0].flows, key=lambda flow: flow.frames), names(wire)))


def _joined(wanted: list[Group]) -> list[tuple[float, Group]]:
    """The groups with members, and when the last of these said so."""
    return [(g.joined_s, g) for g in wanted if g.joined_s is not None]


def _run_outs(wanted: list[Group], runs_out_s: float) -> list[Evidence]:
    joined = sorted(_joined(wanted), key=lambda each: (each[0], each[1].address))
    return [
        Evidence(
            f"{g.address}: {len(g.members)} joined, last at {_clock(at_s)}; runs out at "
            f"{_clock(at_s + runs_out_s)}",
            time_s=at_s,
        )
        for at_s, g in joined[:6]
    ]


def _name(querier: Querier) -> str:
    address = "" if querier.address == NO_ADDRESS else querier.address
    return f"this computer ({address})" if querier.own else who(querier.hardware, address)


def _clock(seconds: float) -> str:
    """12:05 for minutes and seconds of the capture."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"
