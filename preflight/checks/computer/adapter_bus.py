"""A USB adapter needs a bus that is faster than its link: on a slow socket, cable or hub it falls back to USB
2.0."""

from preflight.checks.asks import Audio
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven

CHECK = Check(
    name="adapter-bus",
    subject="computer",
    order=30,
    asks=Audio,
    question="Is the audio adapter's own connection to this computer fast enough?",
    looks_at="Whether the adapter is on USB, how fast that USB connection runs, and what else shares its "
    "hub.",
    why=(
        "USB 2.0 carries 480 Mb/s at best, in both directions together. A gigabit adapter on it drops "
        "frames as soon as many channels play, although its link says 1000 Mb/s."
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
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Look where the adapter is plugged in: a USB 3 (SuperSpeed, SS) socket of this computer, "
    "without a hub.",
)


def judge(computer: Audio, limits: Limits) -> Says:
    name, usb, bus = computer.audio.name, computer.audio.usb, computer.audio.bus
    if usb is None:
        yield Measured({"bus": bus})
        if bus is None:
            yield unproven(f"The system does not say how {name} is connected to this computer.")
        else:
            yield passed(f"{name} is not on USB.")
        return
    yield Measured(
        {
            "bus": "usb",
            "usb_mbps": usb.speed_mbps,
            "beside": None if usb.beside is None else list(usb.beside),
        }
    )
    shared = (
        [Evidence(f"On the same USB hub: {', '.join(usb.beside)}. They share its speed.")]
        if usb.beside
        else []
    )
    at = f"{name} is on USB at {usb.speed_mbps or 0:g} Mb/s"
    if usb.speed_mbps is None:
        yield unproven(f"{name} is on USB; the system does not say how fast that runs.")
    elif usb.speed_mbps < limits["fail_below"]:
        yield fail(f"{at}: too slow for a gigabit link.", shared, culprits=[name])
    elif usb.speed_mbps < limits["caution_below"]:
        yield caution(f"{at}, little more than its link needs.", shared, culprits=[name])
    else:
        yield passed(f"{at}.", shared)
