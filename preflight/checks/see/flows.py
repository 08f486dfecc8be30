"""What several checks ask of one flow."""

from preflight.tally.facts import Flow

MAC_CONTROL = 0x8808  # pause frames: IEEE 802.3 annex 31A


def hidden(flow: Flow) -> bool:
    """Whether the snap length may have cut off what tells one frame of `flow` from the next. An RTP number that goes on
    is in what was kept."""
    return flow.cut > 0.5 * flow.frames and flow.sequence_steps == 0
