"""Nothing may put the audio adapter to sleep: neither its link between two frames, nor the adapter itself.

Two facts are judged apart: energy-efficient Ethernet, which needs both ends of the cable, and the system's power saving
for the device. It passes only where both are known to be off, or not in use.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.facts import Facts
from preflight.host.facts import Adapter

CHECK = Check(
    name="adapter-sleep",
    subject="computer",
    order=480,
    asks=View,
    question="Does the audio adapter stay awake?",
    looks_at=(
        "Energy-efficient Ethernet (EEE, green Ethernet) on the link, and whether the system may put the adapter to "
        "sleep (USB autosuspend, selective suspend, 'turn off this device to save power')."
    ),
    why=(
        "A link that sleeps between frames must wake first: frames come late and in bunches, and clocks that are kept by "
        "the network wander. An adapter that is put to sleep loses the link."
    ),
    sources=(
        "IEEE 802.3az (IEEE 802.3 clause 78): energy-efficient Ethernet",
        "off on audio adapters: common practice",
    ),
    fixes=(
        "Turn energy-efficient Ethernet (EEE, green Ethernet) off in the adapter's settings, and in the switch.",
        "Turn off power saving for this adapter, and USB selective suspend (autosuspend) in the power settings.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven=(
        "Look in the adapter's settings: energy-efficient Ethernet and power saving should be off. Turn EEE off in the "
        "switch too."
    ),
)
LINK = {
    "active": "The link of {} sleeps between frames: energy-efficient Ethernet is in use.",
    "possible": "Energy-efficient Ethernet is turned on for {}; the link sleeps if the switch allows it too.",
}


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    measured = {"eee": adapter.eee, "may_sleep": adapter.may_sleep}
    troubles, fixes = _troubles(adapter)
    if troubles:
        return Finding(
            CHECK.name,
            Outcome.CAUTION,
            troubles[0],
            evidence=tuple(Evidence(each) for each in troubles[1:]),
            measured=measured,
            fixes=(*fixes, CHECK.fixes[-1]),
            cautions=CHECK.cautions,
            culprits=(adapter.name,),
        )
    if adapter.eee is None:
        return untold(
            CHECK, f"The system does not say whether {adapter.name} uses energy-efficient Ethernet."
        )
    if adapter.may_sleep is None:
        return untold(CHECK, f"The system does not say whether it may put {adapter.name} to sleep.")
    unused = (Evidence("Energy-efficient Ethernet is turned on here, but not in use on this link."),)
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"Nothing puts {adapter.name} to sleep.",
        evidence=unused if adapter.eee == "unused" else (),
        measured=measured,
    )


def _troubles(adapter: Adapter) -> tuple[list[str], list[str]]:
    """What may sleep, and what to do about it."""
    texts, fixes = [], []
    if adapter.eee in LINK:
        texts.append(LINK[adapter.eee].format(adapter.name))
        fixes.append(CHECK.fixes[0])
    if adapter.may_sleep:
        texts.append(f"The system may put {adapter.name} itself to sleep to save power.")
        fixes.append(CHECK.fixes[1])
    return texts, fixes
