"""What the tallies say: rates, talkers, flows and copies, over every frame of a source."""

from dataclasses import dataclass


@dataclass(frozen=True)
class TallyFacts:
    pass
