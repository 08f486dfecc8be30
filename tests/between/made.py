"""Two captures made in a test: a stream, and what became of each of its packets on the way."""

from dataclasses import dataclass, replace
from pathlib import Path

from preflight.between.facts import BetweenFacts
from preflight.between.facts import Path as FlowPath
from preflight.between.run import between
from tests.tally.captures import Timed, rtp, write

GROUP = "233.252.0.1"
MS, US = 1e-3, 1e-6


@dataclass(frozen=True)
class Fate:
    """What becomes of one packet: not sent at all; lost, or under way for `delay_s` (`again_s` later it comes
    once more); missed by the capture at A."""

    sent: bool = True
    lost: bool = False
    delay_s: float = 30 * US
    again_s: float | None = None
    missed: bool = False


def media(number: int) -> bytes:
    return number.to_bytes(4, "big") * 12


def stream(
    count: int, sender: int = 5, group: str = GROUP, start_s: float = 1.0, first: int = 0
) -> list[Timed]:
    return [(start_s + n * MS, rtp(sender, group, first + n, media(n))) for n in range(count)]


def both_ends(frames: list[Timed], fates: dict[int, Fate]) -> tuple[list[Timed], list[Timed]]:
    """What is seen at A and at B; `fates` are of those frames that do not simply come through."""
    a: list[Timed] = []
    b: list[Timed] = []
    for number, (at, data) in enumerate(frames):
        fate = fates.get(number, Fate())
        if not fate.sent:
            continue
        if not fate.missed:
            a.append((at, data))
        if not fate.lost:
            b.append((at + fate.delay_s, data))
            if fate.again_s is not None:
                b.append((at + fate.delay_s + fate.again_s, data))
    return a, sorted(b, key=lambda frame: frame[0])


def by_another_clock(frames: list[Timed], ahead_s: float = 3.0, ppm: float = 50.0) -> list[Timed]:
    return [(at * (1 + ppm / 1e6) + ahead_s, data) for at, data in frames]


def held(folder: Path, a: list[Timed], b: list[Timed], snap: int = 65535, **how) -> BetweenFacts:
    """What is found of both, B cut to `snap` bytes."""
    return between(
        (str(write(folder / "a.pcap", a)), None), (str(write(folder / "b.pcap", b, snap)), None), **how
    )


def only_path(told: BetweenFacts) -> FlowPath:
    (path,) = told.paths
    return path


def turned(path: FlowPath) -> FlowPath:
    return replace(path, way="B to A")
