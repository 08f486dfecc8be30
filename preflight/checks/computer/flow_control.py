"""Link flow control (pause frames) belongs off on the audio adapter: one slow device would stop all that the port sends.

This is how the link is set; pause-frames judges whether anyone asked for a stop.
"""

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.facts import Facts

CHECK = Check(
    name="flow-control",
    subject="computer",
    order=490,
    asks=View,
    question="Is link flow control off on the audio adapter?",
    looks_at="Whether the adapter and its switch port agreed to stop each other by pause frames.",
    why=(
        "A computer that is busy for a moment can order its switch port to stop. Some switches then hold back streams to "
        "other ports too, and the clock with them."
    ),
    sources=("IEEE 802.3 annex 31B: pause frames", "off on audio adapters: common practice"),
    fixes=(
        "Turn flow control off in the adapter's settings.",
        "Turn it off on that port of the switch too.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Look in the adapter's settings and at the switch port: flow control should be off.",
)
SAID = {
    "active": "Flow control is in use on the link of {}.",
    "possible": "Flow control is turned on for {}; it is in use if the switch allows it too.",
}


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    if adapter.pause is None:
        return untold(CHECK, f"The system does not say whether {adapter.name} uses flow control.")
    measured = {"flow_control": adapter.pause}
    if adapter.pause in SAID:
        return Finding(
            CHECK.name,
            Outcome.CAUTION,
            SAID[adapter.pause].format(adapter.name),
            measured=measured,
            fixes=CHECK.fixes,
            cautions=CHECK.cautions,
            culprits=(adapter.name,),
        )
    unused = (Evidence("It is turned on here, but the switch port does not take part."),)
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"Flow control is not in use on {adapter.name}.",
        evidence=unused if adapter.pause == "unused" else (),
        measured=measured,
    )
