"""Whether the second computer and the second engine are set up as the first.

From the sheet alone: what the spare gets, where and how it is plugged in, beside its main one. On the wire: which groups each has
joined, and in which clock domain each speaks; only what both of them told is compared. Whether a spare is there at all is the
check `missing`'s, what falls when there is none is `topology`'s.
"""

from collections.abc import Iterator

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.checks.see.roll import roll
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts
from preflight.rig.budget import Budget
from preflight.rig.sheet import Device, Sheet
from preflight.tally.facts import Talker
from preflight.wire.igmp import IgmpMessage

CHECK = Check(
    name="spare",
    subject="plan",
    order=460,
    asks=View,
    question="Is each spare set up as the one that it stands in for?",
    looks_at=(
        "On the rig sheet: whether a spare gets the same streams, and is plugged in as fast, powered and addressed alike. On the "
        "wire (--sheet FILE): which groups the two have joined, and in which clock domain they speak."
    ),
    why="A spare is needed in the worst moment. What it then lacks is silence.",
    sources=(
        "common practice: spares are set up alike",
        "RFC 3376 section 5.2: a device answers a query with all groups that it has joined",
    ),
    fixes=(
        "Set the spare up as the one that it stands in for: the same show file, streams, clock domain and link speed.",
        "Is the difference meant? Then leave it, and try in rehearsal that the spare takes over.",
        "Two computers: save a result of each (linecheck --save-result FILE), then `preflight compare A B`.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Listen at a mirror port, where both are heard. Two computers: save a result of each (linecheck --save-result FILE), then "
        "`preflight compare A B`."
    ),
)
SHOWN = 8
LOCAL = "224.0.0."  # never reported to be joined for a switch's sake: RFC 4541 section 2.1.2


def judge(facts: Facts) -> Finding | None:
    pairs = _pairs(facts.sheet) if facts.sheet is not None else []
    if facts.sheet is None or not pairs:
        return None
    if facts.budget is not None:
        differ = [text for main, spare in pairs for text in _planned(facts.sheet, facts.budget, main, spare)]
        return _finding(differ, len(pairs), "on the sheet")
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    present = roll(facts, facts.sheet).present
    differ, compared = [], 0
    for main, spare in pairs:
        told = list(_heard(facts, main, present[main.name], spare, present[spare.name]))
        compared += bool(told)
        differ += [text for text in told if text]
    if not compared:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            "No spare and its main one told enough here to be compared.",
            measured={"spares": len(pairs), "compared": 0},
            fixes=(CHECK.unproven,),
        )
    return _finding(differ, compared, "in what was heard")


def _pairs(sheet: Sheet) -> list[tuple[Device, Device]]:
    """(main, spare)."""
    return [
        (main, spare) for spare in sheet.device if spare.spare_for and (main := sheet.named(spare.spare_for))
    ]


def _finding(differ: list[str], compared: int, where: str) -> Finding:
    measured = {"compared": compared, "differences": len(differ)}
    if not differ:
        spares = "The spare is" if compared == 1 else f"{compared} spares are"
        return Finding(
            CHECK.name, Outcome.PASS, f"{spares} set up as the main one, {where}.", measured=measured
        )
    more = f" And {len(differ) - 1} more." if differ[1:] else ""
    return Finding(
        CHECK.name,
        Outcome.CAUTION,
        f"{differ[0]}.{more}",
        evidence=tuple(Evidence(text) for text in differ[1:SHOWN]),
        measured=measured,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
    )


def _planned(sheet: Sheet, budget: Budget, main: Device, spare: Device) -> Iterator[str]:
    lacks = [
        f"“{stream.name}”"
        for stream in sheet.stream
        if main.name in stream.receivers and spare.name not in (*stream.receivers, stream.sender)
    ]
    if lacks:
        more = f" and {len(lacks) - 4} more" if lacks[4:] else ""
        yield f"{spare.name} does not get {', '.join(lacks[:4])}{more}, which {main.name} gets"
    # What it sends tells how fast its cable is; an unplugged one has none.
    speeds = {way.sender: way.capacity_mbps for way in budget.ways}
    if main.name in speeds and spare.name not in speeds:
        yield f"{spare.name} is not plugged in, and {main.name} is"
    elif main.name in speeds and speeds[spare.name] < speeds[main.name]:
        yield f"{spare.name} has a link of {speeds[spare.name]} Mb/s, {main.name} one of {speeds[main.name]} Mb/s"
    if main.poe_class != spare.poe_class:
        yield f"{spare.name} takes {_power(spare)}, and {main.name} {_power(main)}"
    if main.address and not spare.address:
        yield f"{spare.name} has no address on the sheet, and {main.name} has {main.address}"


def _power(device: Device) -> str:
    return "no power from the switch" if device.poe_class is None else f"power of class {device.poe_class}"


def _heard(
    facts: Facts, main: Device, mains: tuple[Talker, ...], spare: Device, spares: tuple[Talker, ...]
) -> Iterator[str]:
    """What differs; "" for each that was compared and is alike."""
    here, there = ({each.hardware for each in talkers} for talkers in (mains, spares))
    groups, others = _joined(facts, here), _joined(facts, there)
    if groups is not None and others is not None:
        lacks = sorted(groups - others)
        more = f" and {len(lacks) - 4} more" if lacks[4:] else ""
        yield (
            f"{spare.name} has not joined {', '.join(lacks[:4])}{more}, which {main.name} has"
            if lacks
            else ""
        )
    domains, other_domains = _domains(facts, here), _domains(facts, there)
    if domains and other_domains:
        yield (
            f"{spare.name} speaks in clock domain {_words(other_domains)}, {main.name} in {_words(domains)}"
            if domains != other_domains
            else ""
        )


def _joined(facts: Facts, hardware: set[str]) -> set[str] | None:
    """All groups of a device; None where it has not told them all. Only in version 3 does each device answer for itself, and
    only the answer to a query for all groups names them all."""
    asked: float | None = None
    joined: set[str] | None = None
    for message in facts.heard(IgmpMessage):
        if message.kind == "query" and not message.group and message.version == 3:
            asked = message.seen.time_s if asked is None else asked
        elif asked is not None and message.version == 3 and message.seen.src in hardware:
            joined = ((joined or set()) | set(message.joined)) - set(message.left)
    return {group for group in joined if not group.startswith(LOCAL)} if joined is not None else None


def _domains(facts: Facts, hardware: set[str]) -> set[int]:
    assert facts.tally is not None
    return {
        port.domain for port in facts.tally.clocks if port.hardware in hardware and port.kind != "any master"
    }


def _words(domains: set[int]) -> str:
    return " and ".join(str(each) for each in sorted(domains))
