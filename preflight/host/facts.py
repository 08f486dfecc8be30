"""What this computer says of itself. Facts only; None always means that the system did not say."""

from dataclasses import dataclass


@dataclass(frozen=True)
class HostFacts:
    pass
