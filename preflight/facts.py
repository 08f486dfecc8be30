"""Everything the checks may read, in one frozen object.

Facts come from five producers that know nothing of one another: the frame source, the tallies over every
frame, the dissectors of the few control frames, this computer, and the rig sheet. A producer that was not
asked is None.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from preflight.frames.facts import SourceFacts
from preflight.tally.facts import TallyFacts

if TYPE_CHECKING:
    from preflight.between.facts import BetweenFacts
    from preflight.host.facts import HostFacts
    from preflight.rig.budget import Budget
    from preflight.rig.sheet import Sheet
    from preflight.soak.facts import SoakFacts

Vantage = Literal["access port", "mirror", "unknown"]
Fact = TypeVar("Fact")


@dataclass(frozen=True)
class Facts:
    """`adapter` is the name of the audio adapter in `host`, `adapter_guessed` where nobody named it;
    `host_after` is this computer again, once listening was over, None where nothing was listened to. `wire`
    holds the dissected control frames by their type; `wire_refused` says why there is no wire to judge
    although it was asked for (no privilege, no adapter), and is "" otherwise. `link_mbps` is the link's rate
    that loads are judged by; `link_assumed` when nothing told it. `sheet` is what should be there, where a
    rig sheet was given; `budget` what follows from it alone, where only the plan is asked for; `soak` what
    hours on one item measured, where it was a soak; `between` what two captures tell, held against each
    other."""

    source: SourceFacts | None = None
    tally: TallyFacts | None = None
    wire: Mapping[type, tuple] = field(default_factory=dict)
    vantage: Vantage = "unknown"
    host: HostFacts | None = None
    host_after: HostFacts | None = None
    adapter: str | None = None
    adapter_guessed: bool = False
    wire_refused: str = ""
    link_mbps: int = 1000
    link_assumed: bool = True
    sheet: Sheet | None = None
    budget: Budget | None = None
    soak: SoakFacts | None = None
    between: BetweenFacts | None = None

    def heard(self, kind: type[Fact]) -> tuple[Fact, ...]:
        """All wire facts of one type, in the order in which they were seen."""
        return self.wire.get(kind, ())


def told_link(host: HostFacts, name: str) -> dict[str, Any]:
    """What `host` tells of the rate of an adapter's link, as fields of Facts; nothing where it does not
    tell."""
    adapter = host.adapter(name)
    speed = adapter.speed_mbps if adapter else None
    return {"link_mbps": speed, "link_assumed": False} if speed else {}
