"""A USB adapter needs a bus that is faster than its link: on a slow socket, cable or hub it falls back to USB 2.0."""

from preflight.checks.asks import View
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts

CHECK = Check(
    name="adapter-bus",
    subject="computer",
    order=30,
    asks=View,
    question="Is the audio adapter's own connection to this computer fast enough?",
    looks_at="Whether the adapter is on USB, how fast that USB connection runs, and what else shares its hub.",
    why=(
        "USB 2.0 carries 480 Mb/s at best, in both directions together. A gigabit adapter on it drops frames as soon as "
        "many channels play, although its link says 1000 Mb/s."
    ),
    limits=(
        Limit("fail_below", 1000, "Mb/s on USB", "USB 2.0 high speed is 480 Mb/s: less than the link"),
        Limit("caution_below", 5000, "Mb/s on USB", "USB 3.2: the slowest SuperSpeed is 5 Gb/s"),
    ),
    sources=("USB 2.0 section 5.2.2: high speed 480 Mb/s", "USB 3.2: SuperSpeed 5 Gb/s"),
    fixes=(
        "Plug the adapter straight into this computer, without a hub.",
        "Use a USB 3 (SuperSpeed, SS) socket, and a cable that is made for it.",
        "Or use an adapter that is built in, or on Thunderbolt.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Look where the adapter is plugged in: a USB 3 (SuperSpeed, SS) socket of this computer, without a hub.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    limits = CHECK.values()
    if adapter.usb is None:
        if adapter.bus is None:
            return untold(CHECK, f"The system does not say how {adapter.name} is connected to this computer.")
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{adapter.name} is not on USB.",
            measured={"bus": adapter.bus},
            limits=limits,
        )
    speed, beside = adapter.usb.speed_mbps, adapter.usb.beside
    measured = {"bus": "usb", "usb_mbps": speed, "beside": list(beside) if beside is not None else None}
    shared = (Evidence(f"On the same USB hub: {', '.join(beside)}. They share its speed."),) if beside else ()
    if speed is None:
        return untold(CHECK, f"{adapter.name} is on USB; the system does not say how fast that runs.")
    if speed >= limits["caution_below"]:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{adapter.name} is on USB at {speed:g} Mb/s.",
            evidence=shared,
            measured=measured,
            limits=limits,
        )
    slow = speed < limits["fail_below"]
    return Finding(
        CHECK.name,
        Outcome.FAIL if slow else Outcome.CAUTION,
        f"{adapter.name} is on USB at {speed:g} Mb/s"
        + (": too slow for a gigabit link." if slow else ", little more than its link needs."),
        evidence=shared,
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,),
    )
