"""What the silence of a capture can show."""

from collections.abc import Iterator
from itertools import groupby

from preflight.checks.asks import Wire
from preflight.checks.says import Span


def hole_s(wire: Wire, start_s: float, end_s: float, least_s: float) -> float:
    """How much of the time from `start_s` to `end_s` the capture's longest silence spans; 0 where that is
    less than `least_s`. The capture may have paused then, and an answer may have been lost."""
    begins, ends = _longest(wire)
    spanned_s = min(end_s, ends) - max(start_s, begins)
    return spanned_s if spanned_s >= least_s else 0.0


def was_silent(wire: Wire, start_s: float, end_s: float, share: float) -> bool:
    """Whether no frame at all came by for this share of the time from `start_s` to `end_s`, or more."""
    least_s = share * (end_s - start_s)
    return any(end - start >= least_s for start, end in silences(wire, start_s, end_s))


def silences(wire: Wire, start_s: float, end_s: float) -> Iterator[Span]:
    """When no frame at all came by in that time: the longest silence of the capture, and by the rows of its
    time line the others, up to two rows shorter than they were."""
    rates, longest = wire.tally.rates, _longest(wire)
    yield max(start_s, longest[0]), min(end_s, longest[1])
    at = 0
    for heard, several in groupby(zip(rates.sums["bytes"], rates.sums["sent_bytes"], strict=True), any):
        before, at = at, at + len(list(several))
        empty = before * rates.width_s, at * rates.width_s
        if not heard and (empty[1] <= longest[0] or empty[0] >= longest[1]):
            yield max(start_s, empty[0]), min(end_s, empty[1])


def _longest(wire: Wire) -> Span:
    begins = wire.tally.rates.longest_gap_at_s
    return begins, begins + wire.tally.rates.longest_gap_s
