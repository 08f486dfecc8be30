"""What was found out of two captures: the clocks, and for each flow that both hold what became of its frames.

"A" and "B" are the two captures in the order in which they were given. Times are seconds from A's first frame
on A's clock, but for `Clocks.offset_s`. Frame numbers count from 1 in their own file.
"""

from dataclasses import dataclass
from typing import Literal

from preflight.frames.facts import SourceFacts
from preflight.tally.facts import Cast

Way = Literal["A to B", "B to A"]


@dataclass(frozen=True)
class Clocks:
    """How B's clock stands to A's: `offset_s` is what B's shows more than A's at A's first frame, less the
    least time on the way where that is not known; `drift_ppm` by how much B's runs faster. `uncertainty_s` is
    of the offset, by the spread of what was compared; `contents` how many were. `bend_s` is how far the
    clocks stray from an even drift. `one` where both are one clock: then times on the way are true, and else
    they are beyond the least of each flow."""

    one: bool
    offset_s: float
    drift_ppm: float
    uncertainty_s: float
    contents: int
    bend_s: float


@dataclass(frozen=True)
class Gap:
    """Frames in a row that one end has and the other lacks: the first of them, its time and that of the next
    that both have, and the other end's frames before and after them."""

    frames: int
    frame: int
    at_s: float
    end_s: float
    other_before: int
    other_after: int


@dataclass(frozen=True)
class Ending:
    """Frames of a flow at one end since the last that both have: how many, the first of them."""

    frames: int
    frame: int
    at_s: float


@dataclass(frozen=True)
class Here:
    """A flow at one end. `only` frames lie between two that both ends have, and are missing at the other, in
    `gap_count` runs, the `longest` of so many; `gaps` are the first runs. `alike` of them have a content that
    repeats: which one it was cannot be told. `ending` is what is only here at the end. `doubled` frames came
    once more than at the other end; `more` did, too, but their content repeats there."""

    frames: int
    first_frame: int
    first_s: float
    last_frame: int
    last_s: float
    only: int
    gap_count: int
    longest: int
    alike: int
    gaps: tuple[Gap, ...]
    ending: Ending
    doubled: int
    doubled_frame: int
    doubled_s: float
    doubled_other: int
    more: int
    more_frame: int
    more_s: float


@dataclass(frozen=True)
class Seen:
    """A frame at both ends, and when A saw it."""

    a: int
    b: int
    at_s: float


@dataclass(frozen=True)
class Path:
    """A flow that both ends hold. Addresses are those at A; `b_...` those at B, where another network has
    others.

    `way` is None where nothing tells which end is nearer to the sender. `matched` frames were found at both
    ends, `timed` of them have a content that does not repeat. `least_s` and `most_s` are the times from A to
    B by A's clock; `spread_s` is the most beyond the least (packet delay variation, RFC 5481), of the frame
    `spread_at`; `mean_s` the mean beyond it. `late` frames took longer than the limit, `reordered` came after
    a later one (RFC 4737). `never` numbers of an RTP stream came to neither end, while both listened."""

    source: str
    destination: str
    cast: Cast
    ethertype: int
    protocol: int | None
    source_port: int
    destination_port: int
    source_ip: str
    destination_ip: str
    b_source: str
    b_source_ip: str
    b_destination_ip: str
    rtp: bool
    way: Way | None
    a: Here
    b: Here
    matched: int
    timed: int
    least_s: float | None
    most_s: float | None
    spread_s: float
    spread_at: Seen
    mean_s: float
    late: int
    first_late: Seen
    reordered: int
    first_reordered: Seen
    never: int
    jump_frame: int | None
    jump_s: float

    @property
    def sent(self) -> Here:
        """The end nearer to the sender; A where nothing tells."""
        return self.b if self.way == "B to A" else self.a

    @property
    def got(self) -> Here:
        return self.a if self.way == "B to A" else self.b

    @property
    def both_ways(self) -> bool:
        """Whether what the one end lacks may as well have been lost on the way as what the other lacks."""
        return self.way is None


@dataclass(frozen=True)
class Talker:
    """A sender at one end, of two networks."""

    hardware: str
    address: str
    frames: int
    first_frame: int
    first_s: float
    broadcasts: int
    broadcast_frame: int


@dataclass(frozen=True)
class Lone:
    """A flow that one end holds and the other does not."""

    source: str
    destination: str
    cast: Cast
    ethertype: int
    protocol: int | None
    source_port: int
    destination_port: int
    source_ip: str
    destination_ip: str
    rtp: bool
    frames: int
    first_frame: int
    first_s: float
    last_s: float


@dataclass(frozen=True)
class End:
    """One capture. `frames` are those of its side (one interface, where a file has several), from `first_s`
    to `last_s`; `link_local` ones no bridge passes on, `cut` ones were too short to compare, `no_room` ones
    found no row. `quiet_s` is the longest time without any frame. `twins` are what a mirror showed again."""

    name: str
    source: SourceFacts
    frames: int
    first_s: float
    last_s: float
    link_local: int
    cut: int
    no_room: int
    quiet_s: float
    quiet_at_s: float
    mirrored: bool
    twins: int
    lone: tuple[Lone, ...]
    talkers: tuple[Talker, ...] = ()


@dataclass(frozen=True)
class BetweenFacts:
    """`clocks` is None where the two hold no content in common that tells how their times stand to one
    another: then nothing else is known; `jump_s` is by how much one of them jumped meanwhile, where that is
    why. `common_s` is the time that both hold. `matched` frames were found at both ends. `patience_s` is how
    long a frame may have been on its way; `late_s` from when on it counts as late. `pair` where they are two
    networks that carry the same streams."""

    a: End
    b: End
    pair: bool
    clocks: Clocks | None
    common_s: float = 0.0
    matched: int = 0
    patience_s: float = 0.0
    late_s: float = 0.0
    jump_s: float | None = None
    paths: tuple[Path, ...] = ()
