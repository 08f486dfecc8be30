"""Whether frames reached the capture with bits flipped, as told by what no device sends.

An adapter drops what fails its check sequence, so that such frames come from the capturing itself, from the
memory of a device on the way, or from somebody who changed the file. One frame of them may say anything; what
is said twice alike is hardly damage.
"""

from preflight.checks.asks import Wire
from preflight.wire.arp import ArpMessage

OPERATIONS = range(1, 26)  # of ARP: IANA ARP parameters
# of a kind, and of headers from as many senders: one computer leaves its checksums to its adapter. Common
# practice.
FEW = 2


def damaged_arp(wire: Wire) -> int:
    """ARP messages whose operation does not exist."""
    return sum(arp.op not in OPERATIONS for arp in wire.heard(ArpMessage))


def damaged_headers(wire: Wire) -> int:
    """Flows that begin with an IP header which its checksum or the length of its frame refutes; 0 where all
    are of one sender."""
    broken = [flow for flow in wire.tally.flows if flow.broken]
    return len(broken) if len({flow.source for flow in broken}) >= FEW else 0


def damaged(wire: Wire) -> bool:
    return damaged_arp(wire) >= FEW or damaged_headers(wire) >= FEW
