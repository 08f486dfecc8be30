"""`python -m tests.lab.wired linecheck ...`: the command line at a computer whose adapters are wired ones.

The lab's are made by software, and the product rightly never takes them for the audio LAN's beside a wired
one. Which adapter it chooses, and what it says of one without a link, is told only by a computer that has
cables.
"""

import sys
from dataclasses import replace

from preflight import host
from preflight.cli import main
from preflight.host.facts import HostFacts

read = host.read


def with_cables() -> HostFacts:
    told = read()
    wired = {"kind": "ethernet", "kind_reason": "a wired Ethernet adapter", "bus": "pci"}
    adapters = (replace(each, **wired) if each.kind == "virtual" else each for each in told.adapters)
    return replace(told, adapters=tuple(adapters))


if __name__ == "__main__":
    host.read = with_cables
    main(sys.argv[1:])
