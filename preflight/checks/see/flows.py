"""What several checks ask of flows, and how they tell of them."""

from collections.abc import Collection

from preflight.checks.finding import Evidence
from preflight.tally.facts import ClockPort, Flow

MAC_CONTROL = 0x8808  # pause frames: IEEE 802.3 annex 31A


def hidden(flow: Flow) -> bool:
    """Whether the snap length may have cut off what tells one frame of `flow` from the next. An RTP number that goes on
    is in what was kept."""
    return flow.cut > 0.5 * flow.frames and flow.sequence_steps == 0


def shown(text: str, first: Flow | ClockPort) -> Evidence:
    """`text`, and where the first frame of it came."""
    return Evidence(text, first.first_frame, first.first_s)


def lived(flows: Collection[Flow]) -> tuple[float, float]:
    """From the first frame of any to the last, in seconds. Raises ValueError where there are none."""
    return min(flow.first_s for flow in flows), max(flow.last_s for flow in flows)
