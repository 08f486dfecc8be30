"""What the silence of a capture can show."""

from preflight.checks.asks import Wire


def hole_s(wire: Wire, start_s: float, end_s: float, least_s: float) -> float:
    """How much of the time from `start_s` to `end_s` the capture's longest silence spans; 0 where that is
    less than `least_s`. The capture may have paused then, and an answer may have been lost."""
    begins = wire.tally.rates.longest_gap_at_s
    spanned_s = min(end_s, begins + wire.tally.rates.longest_gap_s) - max(start_s, begins)
    return spanned_s if spanned_s >= least_s else 0.0
