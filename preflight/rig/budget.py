"""What the sheet alone tells of the show: load of each link and way, delay of each path, power, and what
falls with what.

Arithmetic, and graphs by NetworkX. The rig is a graph of devices and switches, its edges are cables, or
several that act as one; frames go by a tree of it (a switch with a spanning tree closes the rest). `plan`
works out one state of the rig; that something fails is the same rig without it, worked out again.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from preflight.rig.sheet import Cable, Device, Sheet, Stream

if TYPE_CHECKING:
    import networkx as nx

# Bytes of a packet beside the audio. RTP: RFC 3550 5.1; UDP: RFC 768; IPv4: RFC 791; the rest: IEEE 802.3
# clauses 3 and 4, tag: IEEE 802.1Q.
RTP, UDP, IPV4, ETHERNET, CHECK_SEQUENCE, TAG, PREAMBLE, GAP = 12, 8, 20, 14, 4, 4, 8, 12
LARGEST_PACKET = 1500  # bytes of IP, IEEE 802.3 clause 3.2.7
LARGEST_FRAME = LARGEST_PACKET + ETHERNET + CHECK_SEQUENCE
SMALLEST_FRAME = 64
NS_PER_M = 5.0  # from memory: about two thirds of the speed of light, in copper and in fibre


Failing = Literal["cable", "switch", "engine"]


@dataclass(frozen=True)
class Packet:
    """One packet of a stream. `frame` is its bytes from addresses to check sequence, untagged; `wire` what it
    takes up of a cable, with preamble and gap."""

    samples: float
    media: int
    frame: int
    per_s: float

    @property
    def ip(self) -> int:
        return RTP + UDP + IPV4 + self.media

    def wire(self, tagged: bool = False) -> int:
        return on_the_wire(self.frame + (TAG if tagged else 0))

    def bits_per_s(self, tagged: bool = False) -> float:
        return self.wire(tagged) * 8 * self.per_s


def on_the_wire(frame: int) -> int:
    """Bytes of a cable that a frame of so many bytes (with check sequence) takes up."""
    return frame + PREAMBLE + GAP


def packet(stream: Stream) -> Packet:
    samples = stream.sample_rate_hz * stream.packet_time_ms / 1000
    media = -(-round(samples) * stream.channels * stream.bits // 8)
    frame = max(media + RTP + UDP + IPV4 + ETHERNET + CHECK_SEQUENCE, SMALLEST_FRAME)
    return Packet(samples, media, frame, 1000 / stream.packet_time_ms)


@dataclass(frozen=True)
class Way:
    """One direction of one cable, or of all of one link aggregation, as loaded by the streams that cross
    it."""

    sender: str
    receiver: str
    cable: Cable
    streams: tuple[str, ...]
    bits_per_s: float
    burst_bytes: int
    """One packet of each stream at once, with preambles and gaps."""
    members: tuple[Cable, ...]
    """All cables that act as this one, and it."""
    assumed: tuple[str, ...] = ()
    """Switches of which the sheet does not tell whether they snoop: they are taken to flood."""
    sure_bits_per_s: float = 0.0
    sure_burst_bytes: int = 0
    """Without what crosses it only if those flood."""

    @property
    def name(self) -> str:
        return f"{self.sender} to {self.receiver}"

    @property
    def capacity_mbps(self) -> int:
        return self.cable.speed_mbps * len(self.members)

    @property
    def share(self) -> float:
        """Of the link; of an aggregation, as if the switches spread the streams evenly."""
        return self.bits_per_s / (self.capacity_mbps * 1e6)

    @property
    def sure_share(self) -> float:
        return self.sure_bits_per_s / (self.capacity_mbps * 1e6)

    @property
    def burst_us(self) -> float:
        """At worst all of it goes by one cable of an aggregation."""
        return self.burst_bytes * 8 / self.cable.speed_mbps


@dataclass(frozen=True)
class Path:
    """One stream on its way to one receiver. `delay_us`: each hop receives the whole frame, then sends it,
    and the cable takes its time; `hop_us` is that of each hop. `worst_us`: at each hop one packet of every
    other stream and one largest frame go first. `sure_worst_us` leaves out what comes only if the switches
    that are `assumed` to flood do."""

    stream: str
    receiver: str
    hops: tuple[str, ...]
    delay_us: float
    worst_us: float
    lengths_known: bool
    hop_us: tuple[float, ...]
    sure_worst_us: float = 0.0
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Failure:
    """What changes when `what` fails. Streams: (name, receiver). `takes_over` is the spare's name, `busiest`
    the fullest way that then remains, `surest` the fullest by what is known to cross it."""

    what: str
    kind: Failing
    lost_devices: tuple[str, ...]
    lost_streams: tuple[tuple[str, str], ...]
    takes_over: str | None
    busiest: Way | None
    surest: Way | None


@dataclass(frozen=True)
class Power:
    """What a switch's ports have to feed. `too_high`: devices of a class that its ports do not feed."""

    switch: str
    budget_w: float | None
    devices: tuple[str, ...]
    too_high: tuple[str, ...]


@dataclass(frozen=True)
class Budget:
    """`ways` come with the fullest first. `unplugged` are devices without a port, `cut_off` streams that have
    no path, `rings` what lies in a ring, and whether a spanning tree runs on all switches of it. `free_ports`
    by switch."""

    ways: tuple[Way, ...] = ()
    paths: tuple[Path, ...] = ()
    failures: tuple[Failure, ...] = ()
    power: tuple[Power, ...] = ()
    rings: tuple[tuple[tuple[str, ...], bool], ...] = ()
    unplugged: tuple[str, ...] = ()
    cut_off: tuple[tuple[str, str], ...] = ()
    free_ports: dict[str, int] = field(default_factory=dict)


def cables(sheet: Sheet) -> Iterator[Cable]:
    """The sheet's cables, and one of unknown length for each device that only tells its port."""
    yield from sheet.cable
    cabled = {name for cable in sheet.cable for name in _ends(sheet, cable)}
    for device in sheet.device:
        if device.port is not None and device.name not in cabled:
            yield Cable(device.name, device.port)


def _ends(sheet: Sheet, cable: Cable) -> tuple[str, str]:
    return sheet.place(cable.a)[0], sheet.place(cable.b)[0]


def graph(sheet: Sheet) -> "nx.MultiGraph":
    """Devices and switches, and the cables between them as edges: each with all `members` of what acts as
    one."""
    import networkx as nx

    rig = nx.MultiGraph()
    rig.add_nodes_from(switch.name for switch in sheet.switch)
    rig.add_nodes_from(device.name for device in sheet.device)
    links: dict[object, list[Cable]] = {}
    for number, cable in enumerate(cables(sheet)):
        links.setdefault((frozenset(_ends(sheet, cable)), cable.lag) if cable.lag else number, []).append(
            cable
        )
    for members in links.values():
        rig.add_edge(*_ends(sheet, members[0]), members=tuple(members))
    return rig


def plan(sheet: Sheet) -> Budget:
    """All of it."""
    rig = graph(sheet)
    ways, paths, cut_off = _traffic(sheet, rig)
    plugs = Counter(end for cable in cables(sheet) for end in _ends(sheet, cable))
    return Budget(
        ways=ways,
        paths=paths,
        failures=tuple(_failures(sheet, rig, paths)),
        power=tuple(_power(sheet)),
        rings=tuple(_rings(sheet, rig)),
        unplugged=tuple(device.name for device in sheet.device if rig.degree(device.name) == 0),
        cut_off=cut_off,
        free_ports={switch.name: switch.ports - plugs[switch.name] for switch in sheet.switch},
    )


Hop = tuple[str, str]


def _traffic(
    sheet: Sheet, rig: "nx.MultiGraph"
) -> tuple[tuple[Way, ...], tuple[Path, ...], tuple[tuple[str, str], ...]]:
    """Every stream along the tree that frames take: once over each way, however many receivers lie behind
    it."""
    tree, between = _tree(rig)
    crossing: dict[Hop, list[tuple[Stream, frozenset[str]]]] = defaultdict(list)
    routes: list[tuple[Stream, str, list[str]]] = []
    cut_off = []
    for stream in sheet.stream:
        hops: set[Hop] = set()
        for receiver in stream.receivers:
            route = _route(tree, stream.sender, receiver)
            if route is None:
                cut_off.append((stream.name, receiver))
                continue
            routes.append((stream, receiver, route))
            hops.update(pairwise(route))
        for hop, assumed in _flooded(sheet, tree, stream, hops).items():
            crossing[hop].append((stream, assumed))
    ways = {}
    for hop in [way for a, b in tree.edges for way in ((a, b), (b, a))]:
        members = between[frozenset(hop)]
        cable = members[0]
        packets = [(packet(stream), assumed) for stream, assumed in crossing.get(hop, ())]
        sure = [each for each, assumed in packets if not assumed]
        ways[hop] = Way(
            *hop,
            cable,
            tuple(stream.name for stream, _ in crossing.get(hop, ())),
            sum(each.bits_per_s(cable.tagged) for each, _ in packets),
            sum(each.wire(cable.tagged) for each, _ in packets),
            members,
            tuple(sorted(frozenset().union(*(assumed for _, assumed in packets)))),
            sum(each.bits_per_s(cable.tagged) for each in sure),
            sum(each.wire(cable.tagged) for each in sure),
        )
    paths = tuple(_path(stream, receiver, route, ways) for stream, receiver, route in routes)
    return tuple(sorted(ways.values(), key=lambda way: -way.share)), paths, tuple(cut_off)


def _tree(rig: "nx.MultiGraph") -> "tuple[nx.Graph, dict[frozenset[str], tuple[Cable, ...]]]":
    """The cables that frames take, as spanning tree would leave them open: the fastest first, then as the
    sheet lists them."""
    import networkx as nx

    between: dict[frozenset[str], tuple[Cable, ...]] = {}
    tree = nx.Graph()
    tree.add_nodes_from(rig.nodes)
    components = nx.utils.UnionFind(rig.nodes)
    edges = sorted(rig.edges(data="members"), key=lambda edge: -sum(each.speed_mbps for each in edge[2]))
    for a, b, members in edges:
        if components[a] != components[b]:
            components.union(a, b)
            tree.add_edge(a, b)
            between[frozenset((a, b))] = members
    return tree, between


def _route(tree: "nx.Graph", sender: str, receiver: str) -> list[str] | None:
    import networkx as nx

    if sender not in tree or receiver not in tree or not nx.has_path(tree, sender, receiver):
        return None
    return nx.shortest_path(tree, sender, receiver)


def _flooded(sheet: Sheet, tree: "nx.Graph", stream: Stream, hops: set[Hop]) -> dict[Hop, frozenset[str]]:
    """The ways of a stream, and those by which a switch without IGMP snooping sends it too, each with the
    switches that are taken to flood because the sheet does not tell. A stream to a single device that names
    no group is taken for unicast, which a switch sends only where it belongs."""
    taken: dict[Hop, frozenset[str]] = dict.fromkeys(hops, frozenset())
    if stream.group is None and len(stream.receivers) == 1:
        return taken
    snoops = {switch.name: switch.snoops for switch in sheet.switch}
    waiting = list(hops)
    while waiting:
        came_from, at = waiting.pop()
        if snoops.get(at, True):
            continue
        floods = taken[came_from, at] | ({at} if snoops[at] is None else set())
        for to in tree.neighbors(at):
            if to != came_from and (at, to) not in taken:
                taken[at, to] = floods
                waiting.append((at, to))
    return taken


def _path(stream: Stream, receiver: str, route: list[str], ways: dict[Hop, Way]) -> Path:
    one = packet(stream)
    hop_us: list[float] = []
    worst = sure_worst = 0.0
    known = True
    assumed: set[str] = set()
    for hop in pairwise(route):
        way = ways[hop]
        cable = way.cable
        # The receiver has it when its last bit has come: preamble and frame, not the gap.
        sending = (one.wire(cable.tagged) - GAP) * 8 / cable.speed_mbps
        known = known and cable.length_m is not None
        here = sending + (cable.length_m or 0.0) * NS_PER_M / 1000
        hop_us.append(here)
        largest = on_the_wire(LARGEST_FRAME + TAG * cable.tagged)
        before, sure_before = (
            burst - one.wire(cable.tagged) + largest for burst in (way.burst_bytes, way.sure_burst_bytes)
        )
        worst += here + before * 8 / cable.speed_mbps
        sure_worst += here + sure_before * 8 / cable.speed_mbps
        assumed.update(way.assumed)
    return Path(
        stream.name,
        receiver,
        tuple(route),
        sum(hop_us),
        worst,
        known,
        tuple(hop_us),
        sure_worst,
        tuple(sorted(assumed)),
    )


def _failures(sheet: Sheet, rig: "nx.MultiGraph", paths: Iterable[Path]) -> Iterator[Failure]:
    """Each cable between switches, each switch and each engine, gone."""
    today = tuple(dict.fromkeys((path.stream, path.receiver) for path in paths))
    switches = {switch.name for switch in sheet.switch}
    for a, b, key, members in rig.edges(keys=True, data="members"):
        for cable in members if a in switches and b in switches else ():
            left = rig.copy()
            left.remove_edge(a, b, key=key)
            if len(members) > 1:
                left.add_edge(a, b, members=tuple(each for each in members if each is not cable))
            yield _failure(sheet, left, cable.called, "cable", today)
    for switch in sheet.switch:
        left = rig.copy()
        left.remove_node(switch.name)
        yield _failure(sheet, left, switch.name, "switch", today)
    for device in sheet.device:
        if device.kind == "engine":
            yield _engine_failure(sheet, rig, device, today)


def _failure(
    sheet: Sheet, left: "nx.MultiGraph", what: str, kind: Failing, today: tuple[tuple[str, str], ...]
) -> Failure:
    ways, paths, _ = _traffic(sheet, left)
    still = {(path.stream, path.receiver) for path in paths}
    return Failure(
        what,
        kind,
        lost_devices=_cut_off_devices(sheet, left),
        lost_streams=tuple(pair for pair in today if pair not in still),
        takes_over=None,
        busiest=_busiest(ways),
        surest=max(ways, key=lambda way: way.sure_share, default=None),
    )


def _busiest(ways: tuple[Way, ...]) -> Way | None:
    return ways[0] if ways and ways[0].streams else None


def _cut_off_devices(sheet: Sheet, left: "nx.MultiGraph") -> tuple[str, ...]:
    """Devices that have a plug and now cannot be reached from the desk, or where it stands alone, from where
    most are."""
    import networkx as nx

    plugged = {name for cable in cables(sheet) for name in _ends(sheet, cable) if sheet.named(name)}
    desk = next((device.name for device in sheet.device if device.kind == "desk"), "")
    parts = [set(part) & plugged for part in nx.connected_components(left)]
    kept = max(parts, key=lambda part: (desk in part and len(part) > 1, len(part)), default=set())
    return tuple(device.name for device in sheet.device if device.name in plugged - kept)


def _engine_failure(
    sheet: Sheet, rig: "nx.MultiGraph", engine: Device, today: tuple[tuple[str, str], ...]
) -> Failure:
    """The engine's streams are lost, or the spare takes them over from where it is plugged in."""
    spare = next((d.name for d in sheet.device if d.spare_for == engine.name and rig.degree(d.name)), None)
    left = rig.copy()
    left.remove_node(engine.name)
    if spare is None:
        return _failure(sheet, left, engine.name, "engine", today)
    swapped = replace(
        sheet,
        stream=tuple(
            replace(
                stream,
                sender=spare if stream.sender == engine.name else stream.sender,
                receivers=tuple(
                    dict.fromkeys(spare if each == engine.name else each for each in stream.receivers)
                ),
            )
            for stream in sheet.stream
        ),
    )
    ways, paths, _ = _traffic(swapped, left)
    still = {(path.stream, engine.name if path.receiver == spare else path.receiver) for path in paths}
    still |= {(path.stream, path.receiver) for path in paths}
    return Failure(
        engine.name,
        "engine",
        lost_devices=(engine.name,),
        lost_streams=tuple(pair for pair in today if pair not in still),
        takes_over=spare,
        busiest=_busiest(ways),
        surest=max(ways, key=lambda way: way.sure_share, default=None),
    )


def _power(sheet: Sheet) -> Iterator[Power]:
    fed: dict[str, list[Device]] = defaultdict(list)
    for cable in cables(sheet):
        ends = _ends(sheet, cable)
        for name, other in (ends, ends[::-1]):
            device = sheet.named(name)
            if device is not None and device.poe_class is not None:
                fed[other].append(device)
    for switch in sheet.switch:
        devices = fed.get(switch.name, [])
        classes = {device.name: device.poe_class or 0 for device in devices}
        yield Power(
            switch.name,
            switch.poe_budget_w,
            tuple(classes),
            tuple(
                name
                for name, needs in classes.items()
                # Class 0 did not say, and may draw as much as class 3.
                if switch.poe_class is None or (needs or 3) > (switch.poe_class or 3)
            ),
        )


def _rings(sheet: Sheet, rig: "nx.MultiGraph") -> Iterator[tuple[tuple[str, ...], bool]]:
    import networkx as nx

    guarded = {switch.name: switch.spanning_tree for switch in sheet.switch}
    simple = nx.Graph(rig)
    rings = [tuple(ring) for ring in nx.cycle_basis(simple)]
    rings += [(a, b) for a, b in simple.edges if rig.number_of_edges(a, b) > 1]
    for ring in rings:
        yield ring, all(guarded.get(name, False) for name in ring)
