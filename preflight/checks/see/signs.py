"""Signs that another network is joined, each with a weight, and what they come to together.

No sign alone need be enough: points add up, and from two sums on it is a caution or a fault. Silence is no
proof.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from preflight.checks.finding import Evidence, Outcome
from preflight.checks.says import Limits, Measured, Says, trouble, unproven
from preflight.checks.see.flows import lived
from preflight.tally.facts import Flow
from preflight.wire.picked import Seen


@dataclass(frozen=True)
class Sign:
    """`weight` is the name of its limit, `device` the hardware address or adapter that it speaks of. Frame
    and times (s) are None where this computer said it of itself."""

    weight: str
    device: str
    text: str
    frame: int | None = None
    first_s: float | None = None
    last_s: float | None = None


def of_flows(weight: str, text: str, *flows: Flow) -> Sign:
    """What flows of one sender tell."""
    first = min(flows, key=lambda flow: flow.first_frame)
    return Sign(weight, first.source, text, first.first_frame, *lived(flows))


def of_message(weight: str, text: str, seen: Seen, device: str = "") -> Sign:
    """What one message tells of its sender, or of a `device` that it names."""
    return Sign(weight, device or seen.src, text, seen.frame, seen.time_s, seen.time_s)


def weighed(
    signs: list[Sign], limits: Limits, most: Mapping[str, float], joined: tuple[str, str], silent: str
) -> Says:
    """By the limits fail and caution, the points of all `signs`, the heaviest first; those of one weight
    count up to its `most`. `joined` are the words before and after "is", `silent` those where there are too
    few points."""
    signs = sorted(signs, key=lambda sign: -limits[sign.weight])  # stable
    sums: dict[str, float] = defaultdict(float)
    for sign in signs:
        sums[sign.weight] = min(sums[sign.weight] + limits[sign.weight], most.get(sign.weight, inf))
    points = sum(sums.values())
    yield Measured({"points": points, "signs": sorted(sums)})
    if points < limits["caution"]:
        yield unproven(silent)
        return
    failed = points >= limits["fail"]
    times = [time for sign in signs for time in (sign.first_s, sign.last_s) if time is not None]
    yield trouble(
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"{joined[0]} {'is' if failed else 'may be'} {joined[1]}: {signs[0].text}.",
        [Evidence(sign.text, sign.frame, sign.first_s) for sign in signs[:12]],
        culprits=list(dict.fromkeys(sign.device for sign in signs if sign.device))[:16],
        spans=[(min(times), max(times))] if times else [],
    )
