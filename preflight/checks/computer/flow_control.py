"""Link flow control (pause frames) belongs off on the audio adapter: one slow device would stop all that the
port sends.

This is how the link is set; pause-frames judges whether anyone asked for a stop.
"""

from preflight.checks.asks import Audio
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check
from preflight.checks.says import Limits, Measured, Says, caution, passed, unproven
from preflight.checks.step import in_a_break, managed, now, unmanaged

CHECK = Check(
    name="flow-control",
    subject="computer",
    order=490,
    asks=Audio,
    question="Is link flow control off on the audio adapter?",
    looks_at="Whether the adapter and its switch port agreed to stop each other by pause frames.",
    why=(
        "A computer that is busy for a moment can order its switch port to stop. Some switches then hold "
        "back streams to other ports too, and the clock with them."
    ),
    sources=("IEEE 802.3 annex 31B: pause frames", "off on audio adapters: common practice"),
    fixes=(
        "Turn flow control off in the adapter's settings.",
        managed(in_a_break("Turn it off on that port of the switch too.")),
        unmanaged(
            now(
                "Nothing can be set there, and nothing need be: flow control is used only where both ends "
                "have it on."
            )
        ),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Look in the adapter's settings: flow control should be off. One end of a link is enough.",
)
SAID = {
    "active": "Flow control is in use on the link of {}.",
    "possible": "Flow control is turned on for {}; it is in use if the switch allows it too.",
}


def judge(computer: Audio, _limits: Limits) -> Says:
    name, pause = computer.audio.name, computer.audio.pause
    yield Measured({"flow_control": pause})
    if pause is None:
        yield unproven(f"The system does not say whether {name} uses flow control.")
    elif pause in SAID:
        yield caution(SAID[pause].format(name), culprits=[name])
    else:
        unused = Evidence("It is turned on here, but the switch port does not take part.")
        yield passed(f"Flow control is not in use on {name}.", [unused] if pause == "unused" else [])
