"""Half duplex on a modern link is nearly always a mismatch: one side set by hand, the other automatic.

IEEE 802.3 clause 28: the automatic side gets no answer, senses the speed only (parallel detection) and must
then assume half duplex. That side counts late collisions; the full side, which sends at any time, counts
broken frames.
"""

from preflight.checks.asks import Link
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Explains
from preflight.checks.says import Limits, Measured, Says, fail, passed, unproven
from preflight.checks.step import ALWAYS_AUTOMATIC, in_a_break, managed, now
from preflight.host.facts import Adapter

CHECK = Check(
    name="duplex",
    subject="computer",
    order=50,
    asks=Link,
    explains=(Explains(("link-errors",), "culprit"),),
    soak="run",
    question="Does the audio adapter send and receive at the same time (full duplex)?",
    looks_at="The duplex that the adapter and its switch port ended up with, and the error counts that go "
    "with a mismatch.",
    why=(
        "Where one side is set by hand and the other is automatic, the automatic side cannot learn the "
        "duplex and takes half. It works while idle, and loses frames as soon as both sides send: late "
        "collisions on the half side, frames with a wrong check sequence (FCS) on the full side."
    ),
    sources=(
        "IEEE 802.3 clause 28: auto-negotiation and parallel detection",
        "IEEE 802.3 clause 30: late collision, FCS and alignment counters",
    ),
    fixes=(
        "Set the adapter's speed and duplex to automatic in its settings.",
        managed(
            in_a_break(
                "Set the switch port to automatic too. Both sides automatic, or both sides the same by hand."
            )
        ),
        ALWAYS_AUTOMATIC,
        "Is there an old hub in between? Take it out and use a switch.",
        now("Run the line check again: it should say full duplex."),
    ),
    cautions=(MUTE_FIRST,),
    unproven="Read the duplex in the adapter's settings or from the switch: it should be full.",
)


def judge(computer: Link, _limits: Limits) -> Says:
    audio = computer.audio
    yield Measured({"duplex": audio.duplex})
    if audio.duplex is None:
        yield unproven(f"The system does not say which duplex {audio.name} uses.")
    elif audio.duplex == "full":
        yield passed(f"{audio.name} is full duplex.")
    else:
        signs = _signs(audio)
        yield Measured(
            {
                "autonegotiated": audio.autonegotiated,
                **{kind.replace(" ", "_"): n for kind, n in signs.items()},
            }
        )
        yield fail(
            f"{audio.name} is half duplex: {SIDES[audio.autonegotiated]}.",
            [Evidence(f"{count} {kind} so far") for kind, count in signs.items()],
            culprits=[audio.name],
        )


SIDES = {
    None: "one side of the cable is most likely set by hand, the other automatic",
    True: "it is automatic, so the other end of the cable is most likely set by hand, or a hub",
    False: "its speed and duplex are set by hand",
}


def _signs(adapter: Adapter) -> dict[str, int]:
    """The counts that go with a mismatch, those above zero only: many drivers do not count them."""
    counted = {
        "collisions": adapter.counters.collisions,
        "late collisions": adapter.counters.late_collisions,
        "FCS errors": adapter.counters.rx_crc_errors,
        "alignment errors": adapter.counters.rx_frame_errors,
    }
    return {kind: count for kind, count in counted.items() if count}
