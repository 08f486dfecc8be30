"""The beats that belong to the rig: steady, known from enough beats, and neither discovery nor addressing.

Streams that count their frames and PTP clocks have checks of their own.
"""

from preflight.checks.asks import Wire
from preflight.checks.rule import Limit, values
from preflight.checks.say import PORTS
from preflight.checks.says import Limits
from preflight.checks.see.streams import all_streams
from preflight.tally.facts import Flow, PeriodicFlow

Follows = tuple[PeriodicFlow, Flow]

# A flow that misses so many has changed its pace, and a young one never had it; programs that talk to one
# another keep a pace for a while by chance. Common practice.
NOT_A_BEAT, NOT_A_YOUNG_BEAT = 0.3, 0.1
ESTABLISHED = 200
# Those that answer when asked, or have a check of their own: ARP, LLDP, pauses, reservations, PTP.
NOT_JUDGED = (0x0806, 0x88CC, 0x8808, 0x22EA, 0x88F7)


FOLLOWED = (
    Limit("shortest_us", 20, "microseconds: the quickest beat", "own method"),
    Limit("longest_s", 2, "seconds: the slowest beat", "own method"),
    Limit("least_beats", 20, "beats before a flow is judged", "common practice"),
)


def followed(wire: Wire, limits: Limits) -> list[Follows]:
    """The beats of the rig with their flows. `limits` has those of `FOLLOWED`."""
    streams = {id(flow) for _, flow in all_streams(wire)}
    pairs = [(beat, wire.tally.flows[beat.flow]) for beat in wire.tally.periodic]
    return [(b, f) for b, f in pairs if id(f) not in streams and _belongs(b, f, limits)]


def missing_frames(wire: Wire) -> int:
    """Frames of the rig's beats that never came, by the limits that the rig sheet gives beat-health."""
    own = wire.sheet.limits.get("beat-health", {}) if wire.sheet else {}
    return sum(beat.missing for beat, _ in followed(wire, values(FOLLOWED, own)))


def _belongs(beat: PeriodicFlow, flow: Flow, limits: Limits) -> bool:
    if flow.discovery or flow.clock or flow.ethertype in NOT_JUDGED or flow.ethertype < 1536:
        return False
    if flow.protocol is not None and (
        flow.protocol != 17 or flow.destination_port in PORTS or flow.source_port in PORTS
    ):
        return False
    not_a_beat = NOT_A_YOUNG_BEAT if beat.beats < ESTABLISHED else NOT_A_BEAT
    return (
        limits["shortest_us"] * 0.9e-6 <= beat.period_s <= limits["longest_s"] * 1.1
        and beat.beats >= (limits["least_beats"] if flow.cast != "unicast" else ESTABLISHED)
        and beat.missing < not_a_beat * beat.beats * beat.per_beat
    )
