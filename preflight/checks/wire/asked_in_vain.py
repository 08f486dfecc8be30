"""A device that asks for another again and again, and nobody answers: what it looks for is not here.

Strategy: who is answered keeps the answer for a quarter of a minute and more; only who is not asks again
after some seconds. It may give up between, so that the questions count that follow one another soon. Answers
go to the asker alone and are not heard at every port, so that a single question tells nothing, and neither
does one for a device that was heard. Probes and announcements of a device's own address (RFC 5227) ask
nobody.
"""

from collections import defaultdict
from itertools import pairwise

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import counted, who
from preflight.checks.says import Limits, Measured, Says, caution, passed, unproven
from preflight.checks.step import now
from preflight.wire.arp import ArpMessage

CHECK = Check(
    name="asked-in-vain",
    subject="wire",
    order=215,
    asks=Wire,
    question="Does anybody look for a device that is not here?",
    looks_at="ARP questions that come again and again for an address that nobody here has.",
    why="A device that is looked for and absent is switched off, unplugged, or has another address than "
    "somebody was told.",
    limits=(
        Limit("questions", 10, "for one address by one device", "common practice"),
        Limit(
            "apart_s",
            6,
            "s from one to the next at most",
            "common practice; RFC 1122 2.3.2.1: at most one a second; RFC 4861 section 10: what is "
            "answered is kept for 15 s and more",
        ),
    ),
    sources=(
        "RFC 826: ARP",
        "RFC 1122 section 2.3.2.1: a device that is not answered asks at most once a second",
    ),
    fixes=(
        now(
            "Is the address that of a device which should be here? See that it has power and link, and that "
            "this is its address."
        ),
        "Is it an old one, of a gateway or another rig? Take it out of the settings of the device that asks.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for a minute while devices talk.",
)
COPY_S = 0.2  # sooner it is a copy, by a mirror or a loop. Common practice.
SHOWN = 8


def judge(wire: Wire, limits: Limits) -> Says:
    asked: dict[str, dict[str, list[ArpMessage]]] = defaultdict(lambda: defaultdict(list))
    has = {flow.source_ip for flow in wire.tally.flows if flow.source_ip}
    for arp in wire.heard(ArpMessage):
        if arp.sender_address:
            has.add(arp.sender_address)
        if arp.op == 1 and arp.sender_address and arp.sender_address != arp.target_address:
            before = asked[arp.target_address][arp.sender_hardware]
            if not before or arp.seen.time_s - before[-1].seen.time_s >= COPY_S:
                before.append(arp)
    vain = {
        target: [
            questions
            for questions in askers.values()
            if 1 + _soon_again(questions, limits["apart_s"]) >= limits["questions"]
        ]
        for target, askers in asked.items()
        if target not in has
    }
    found = sorted(
        ((target, several) for target, several in vain.items() if several), key=lambda each: -len(each[1])
    )
    yield Measured({"asked_for": len(asked), "in_vain": [target for target, _ in found][:SHOWN]})
    for target, several in found[:SHOWN]:
        first = several[0][0]
        more = f" and {counted(len(several) - 1, 'other')} ask" if len(several) > 1 else " asks"
        yield caution(
            f"{who(first.sender_hardware, first.sender_address)}{more} for {target} again and again, and "
            "nobody answers.",
            [
                Evidence(
                    f"{who(each[0].sender_hardware, each[0].sender_address)} asked "
                    f"{counted(len(each), 'time')}",
                    each[0].seen.frame,
                    each[0].seen.time_s,
                )
                for each in several[:SHOWN]
            ],
            culprits=[each[0].sender_hardware for each in several[:16]],
            spans=[(each[0].seen.time_s, each[-1].seen.time_s) for each in several[:16]],
        )
    if asked:
        yield passed("No device asks again and again for one that is not here.")
    else:
        yield unproven("No device asked for another by ARP.")


def _soon_again(questions: list[ArpMessage], within_s: float) -> int:
    """How many of them followed the one before so soon."""
    return sum(now.seen.time_s - before.seen.time_s <= within_s for before, now in pairwise(questions))
