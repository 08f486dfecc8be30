"""This computer: one reader for each system behind one set of facts."""

import sys

from preflight.host.facts import HostFacts


def read() -> HostFacts:
    """The facts of this computer. On systems without a reader of their own, what psutil and netifaces tell."""
    from preflight.host import common, linux

    return linux.read() if sys.platform == "linux" else common.read()
