"""Nothing may put the audio adapter to sleep: neither its link between two frames, nor the adapter itself.

Two facts are judged apart: energy-efficient Ethernet, which needs both ends of the cable, and the system's
power saving for the device. It passes only where both are known to be off, or not in use.
"""

from preflight.checks.asks import Audio
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check
from preflight.checks.says import Limits, Measured, Says, caution, passed, unproven
from preflight.checks.step import in_a_break, managed

CHECK = Check(
    name="adapter-sleep",
    subject="computer",
    order=480,
    asks=Audio,
    question="Does the audio adapter stay awake?",
    looks_at=(
        "Energy-efficient Ethernet (EEE, green Ethernet) on the link, and whether the system may put the "
        "adapter to sleep (USB autosuspend, selective suspend, 'turn off this device to save power')."
    ),
    why=(
        "A link that sleeps between frames must wake first: frames come late and in bunches, and clocks "
        "that are kept by the network wander. An adapter that is put to sleep loses the link."
    ),
    sources=(
        "IEEE 802.3az (IEEE 802.3 clause 78): energy-efficient Ethernet",
        "off on audio adapters: common practice",
    ),
    fixes=(
        "Turn energy-efficient Ethernet (EEE, green Ethernet) off in the adapter's settings. One end of a "
        "link is enough.",
        managed(in_a_break("Or turn it off for this port in the switch.")),
        "Turn off power saving for this adapter, and USB selective suspend (autosuspend) in the power "
        "settings.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Look in the adapter's settings: energy-efficient Ethernet and power saving should be off. One end "
        "of a link is enough for the first."
    ),
)
LINK = {
    "active": "The link of {} sleeps between frames: energy-efficient Ethernet is in use.",
    "possible": "Energy-efficient Ethernet is turned on for {}; the link sleeps if the switch allows it too.",
}


def judge(computer: Audio, _limits: Limits) -> Says:
    name, eee, may_sleep = computer.audio.name, computer.audio.eee, computer.audio.may_sleep
    yield Measured({"eee": eee, "may_sleep": may_sleep})
    if eee in LINK:
        yield caution(LINK[eee].format(name), fixes=[*CHECK.fixes[:2], AGAIN], culprits=[name])
    if may_sleep:
        yield caution(
            f"The system may put {name} itself to sleep to save power.",
            fixes=CHECK.fixes[2:],
            culprits=[name],
        )
    if eee is None:
        yield unproven(f"The system does not say whether {name} uses energy-efficient Ethernet.")
    elif may_sleep is None:
        yield unproven(f"The system does not say whether it may put {name} to sleep.")
    unused = Evidence("Energy-efficient Ethernet is turned on here, but not in use on this link.")
    yield passed(f"Nothing puts {name} to sleep.", [unused] if eee == "unused" else [])
