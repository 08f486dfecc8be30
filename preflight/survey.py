"""From frames to facts in one pass: tally every frame, dissect the few control frames, say where it was seen
from.

The one place where frames, tallies and dissectors meet. It works on any source of batches, saved or live.
"""

from collections import defaultdict

import numpy as np

from preflight.facts import Facts, Vantage
from preflight.frames import kernels as k
from preflight.frames.batch import ROWS, Batch
from preflight.frames.facts import SourceFacts
from preflight.frames.tables import zeros
from preflight.tally.facts import TallyFacts
from preflight.tally.tally import Tally
from preflight.wire.picked import Picked

# Names of what the kernel picks, as `preflight.wire` knows them.
KINDS = {
    k.K_DHCP4: "dhcp4",
    k.K_DHCP6: "dhcp6",
    k.K_MDNS: "mdns",
    k.K_SSDP: "ssdp",
    k.K_LLDP: "lldp",
    k.K_CDP: "cdp",
    k.K_XID: "xid",
    k.K_PREAUTH: "preauth",
    k.K_FAST_TRANSITION: "fast-transition",
    k.K_ARP: "arp",
    k.K_IGMP: "igmp",
    k.K_ICMP4: "icmp4",
    k.K_ICMP6: "icmp6",
    k.K_STP: "stp",
    k.K_SAP: "sap",
}
# A flood of control frames must not stall the survey: dissecting is a thousand times dearer than counting.
PER_SOURCE = 64
PER_KIND = 1024


class Survey:
    """Feed batches in order with `add`, then read `facts`. `link_mbps` is the rate that queues are reckoned
    with; what only pictures need is left out where none will be `pictured`."""

    def __init__(self, link_mbps: int = 1000, pictured: bool = True) -> None:
        self._tally = Tally(link_mbps, pictured)
        self._picked_from = zeros((1 << 14, 2))
        self._picked_totals = np.zeros(2 * k.KINDS, np.int64)
        self._chosen = np.zeros(ROWS, np.int64)
        self._wire: dict[type, list] = defaultdict(list)

    @property
    def link_mbps(self) -> int:
        return self._tally.link_mbps

    @link_mbps.setter
    def link_mbps(self, mbps: int) -> None:
        self._tally.link_mbps = mbps

    def add(self, batch: Batch) -> None:
        self.pace(batch)
        self.follow(batch)

    def pace(self, batch: Batch) -> None:
        """The half that may run beside `follow`, in the thread that reads."""
        self._tally.pace(batch)

    def follow(self, batch: Batch) -> None:
        self._tally.follow(batch)
        columns = batch.columns
        found = batch.engine.pick(
            columns, batch.rows, self._picked_from, self._picked_totals, PER_SOURCE, PER_KIND, self._chosen
        )
        if found:
            from preflight import wire

            for row in self._chosen[:found].tolist():
                picked = Picked(
                    number=batch.first + row,
                    time_s=int(columns[k.REL, row]) / 1e9,
                    data=batch.data(row),
                    l3=int(columns[k.L3, row]),
                    etype=int(columns[k.ETYPE, row]),
                    src=int(columns[k.SRC, row]),
                    dst=int(columns[k.DST, row]),
                    outgoing=bool(columns[k.OUT, row]),
                    cut=bool(columns[k.CAP, row] < columns[k.WIRE, row]),
                )
                fact = wire.read(KINDS[int(columns[k.KIND, row])], picked)
                if fact is not None:
                    self._wire[type(fact)].append(fact)

    def facts(self, source: SourceFacts) -> Facts:
        """All that the frames of `source` tell. One that is live is on an access port, unless it hears as a
        mirror does."""
        tally = self._tally.facts()
        seen_from = vantage(tally)
        return Facts(
            source=source,
            tally=tally,
            wire={kind: tuple(facts) for kind, facts in self._wire.items()},
            vantage="access port" if source.kind == "live" and seen_from != "mirror" else seen_from,
        )

    def rtp_flows(self) -> np.ndarray:
        return self._tally.rtp_flows()


def vantage(tally: TallyFacts) -> Vantage:
    """Where the frames were taken, as far as they tell.

    A mirror of several ports, or of both directions, shows frames twice, or unicast between many pairs. An
    access port shows unicast only to and from one station, beside what is flooded. A station that only sends,
    or only receives, tells nothing: what goes to it is flooded until it speaks, and so may be what it sends.
    Common practice."""
    if tally.copies.mirrored:
        return "mirror"
    pairs: dict[frozenset[str], int] = {}
    send, receive = set[str](), set[str]()
    for flow in tally.flows:
        if flow.cast == "unicast" and flow.source and flow.destination and flow.source != flow.destination:
            send.add(flow.source)
            receive.add(flow.destination)
            ends = frozenset((flow.source, flow.destination))
            pairs[ends] = pairs.get(ends, 0) + flow.frames
    ends_seen = [ends for ends, frames in pairs.items() if frames >= 4]
    if not ends_seen:
        return "unknown"
    everyone = frozenset.intersection(*ends_seen)
    if everyone:
        return "access port" if len(ends_seen) > 1 and everyone & send & receive else "unknown"
    return "mirror" if len(ends_seen) >= 3 else "unknown"
