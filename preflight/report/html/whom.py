"""Who to whom, and how much: devices under the switch that they hang on, and where their frames go, as SVG.

Senders stand left, under their switch: the one on the rig sheet, else the one that told by LLDP or CDP that
it is the neighbour here. Where their frames go stands right; a line is as thick as its load. With a rig sheet
all of its devices are there, marked as heard, not heard or missing, and beside them whoever is a stranger. In
rows, not as a free graph: each name can be read, and no line crosses one.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from markupsafe import Markup, escape

from preflight.checks.asks import PlannedWire
from preflight.checks.say import counted, listed, what
from preflight.checks.see.inventory import planned_streams, switch_of, take_inventory
from preflight.checks.see.names import names_of
from preflight.checks.see.streams import names as announced_names
from preflight.checks.see.streams import place
from preflight.facts import Facts
from preflight.report.html.devices import Neighbour, neighbours
from preflight.report.html.timeline import duration
from preflight.rig.picture import columns
from preflight.tally.facts import Flow
from preflight.text import clean
from preflight.verdict import Verdict
from preflight.wire.stp import Bpdu

MOST = 24  # boxes on a side; the rest is one box more
SHOWN_FLOWS = 8  # in the words for one box
WIDTH, BOX, HEIGHT, ROW, HEAD, INDENT, EDGE = 1000, 300, 36, 42, 30, 22, 6
MARKS = {
    "heard": "✓ heard",
    "silent": "? not heard",
    "missing": "✗ MISSING",
    "stranger": "! STRANGER",
}
EVERYONE, FINDING = "everyone (broadcast)", "discovery and addressing"
Load = tuple[str, str]  # keys of a sender and of where it sends to


@dataclass
class _Box:
    """`state` is a key of `MARKS`, "" where no sheet says what should be. `bytes` are sent (left) or got
    (right)."""

    key: str
    name: str
    note: str = ""
    state: str = ""
    bytes: int = 0
    tells: list[tuple[int, str]] = field(default_factory=list)
    y: int = 0


@dataclass
class _Group:
    """A switch, or where nothing is known of one, what can be said instead; and what hangs on it."""

    title: str
    state: str
    boxes: list[_Box]


@dataclass(frozen=True)
class Picture:
    """`said` is what there is to say of the picture in one line."""

    svg: Markup
    said: str


def whom(facts: Facts, verdict: Verdict, most: int = MOST) -> Picture | None:
    """None where no frame was heard. `most` boxes on either side."""
    if facts.tally is None or not facts.tally.flows:
        return None
    groups = _planned(facts, verdict) or _told(facts)
    loads, ends = _loads(facts)
    absent = _due(facts, ends)
    _add_up(groups, ends, loads, duration(facts))
    _cut(groups, most, duration(facts))
    left = {box.key: box for group in groups for box in group.boxes}
    right = sorted(ends.values(), key=lambda box: (box.state != "missing", -box.bytes))
    others = right[most:]
    right = right[:most]
    shown = {box.key for box in right}
    merged: dict[Load, int] = defaultdict(int)
    for (sender, end), count in loads.items():
        merged[sender if sender in left else OTHERS, end if end in shown else OTHERS] += count
    if others:
        more = _Box(OTHERS, f"{len(others)} more", "", bytes=sum(box.bytes for box in others))
        more.note = _mbps(more.bytes, duration(facts))
        right.append(more)
    known = {key: box.name for key, box in left.items()}
    said = f"{counted(len(known), 'sender')} on the left, where their frames go on the right. A line is as thick as its load."
    return Picture(Markup("\n".join(_drawn(groups, right, merged, absent))), said)


OTHERS = "others"


def _told(facts: Facts) -> list[_Group]:
    """Without a sheet: under the switch whose port this is, as far as one told, or its spanning tree shows
    it: that goes no further than to the other end of a cable (IEEE 802.1D)."""
    assert facts.tally is not None
    names = names_of(facts)
    boxes = [
        _Box(talker.hardware, names.name(talker.hardware), _own(talker.own)) for talker in facts.tally.talkers
    ]
    switches = [each for each in neighbours(facts) if each.switch]
    if len(switches) == 1:
        port = f", port {switches[0].port}" if switches[0].port else ""
        title = f"{_called(switches[0])}{port}: told that this is its port"
    elif switches:
        title = f"{listed(dict.fromkeys(map(_called, switches)))}: who hangs where is not told"
    elif spoke := list(dict.fromkeys(names.name(bpdu.seen.src) for bpdu in facts.heard(Bpdu))):
        many = "who hangs where is not told" if len(spoke) > 1 else "the switch here, by its spanning tree"
        title = f"{listed(spoke)}: {many}"
    else:
        title = "No switch told its name here"
    return [_Group(title, "", boxes)]


def _called(switch: Neighbour) -> str:
    return switch.name or switch.hardware


def _own(own: bool) -> str:
    return "this computer" if own else ""


def _planned(facts: Facts, verdict: Verdict) -> list[_Group]:
    """By the sheet; nothing where there is none."""
    wire = PlannedWire.of(facts)
    if not isinstance(wire, PlannedWire):
        return []
    inventory = take_inventory(wire, wire.sheet)
    missing = next(
        (r.finding.measured.get("missing") for r in verdict.findings if r.finding.check == "missing"), None
    )
    gone = set(missing) if isinstance(missing, list | tuple) else set()
    heard_switches = {
        switch.name
        for each in inventory.switches
        if (switch := switch_of(wire.sheet, facts, each)) is not None
    }
    groups = []
    for name, devices in columns(wire.sheet):
        boxes = []
        for device in devices:
            found = inventory.present[device.name]
            state = "heard" if found else "missing" if device.name in gone else "silent"
            boxes.append(_Box(found[0].hardware if found else f"sheet {device.name}", device.name, "", state))
        title = f"switch {name}" if name else "on the sheet, but plugged in nowhere"
        groups.append(_Group(title, "heard" if name in heard_switches else "", boxes))
    names = names_of(facts)
    taken = {box.key for group in groups for box in group.boxes} | inventory.switches
    strangers = {talker.hardware for talker in inventory.rest}
    rest = [
        _Box(
            talker.hardware,
            names.name(talker.hardware),
            _own(talker.own),
            "stranger" if talker.hardware in strangers else "",
        )
        for talker in wire.tally.talkers
        if talker.hardware not in taken
    ]
    if rest:
        groups.append(_Group("not on the sheet", "", rest))
    switches = [_Box(each, names.name(each), "", "heard") for each in sorted(inventory.switches)]
    if switches:
        groups.append(_Group("the switches themselves", "", switches))
    return groups


def _loads(facts: Facts) -> tuple[dict[Load, int], dict[str, _Box]]:
    """Bytes from each sender to each end, and the ends."""
    assert facts.tally is not None
    announced, names = announced_names(facts), names_of(facts)
    planned = {(each.group, each.udp_port): each.name for each in facts.sheet.stream} if facts.sheet else {}
    loads: dict[Load, int] = defaultdict(int)
    ends: dict[str, _Box] = {}

    def end(flow: Flow) -> _Box:
        if flow.cast == "broadcast":
            return _Box(EVERYONE, EVERYONE)
        if flow.discovery:
            return _Box(FINDING, FINDING)
        if flow.cast == "unicast":
            return _Box(flow.destination, names.name(flow.destination))
        known = announced.get(place(flow))
        name = planned.get(place(flow)) or (known.name if known else "")
        group = flow.destination_ip or flow.destination
        return _Box(group, f"{name}: {group}" if name else group, what(flow).removesuffix(f" to {group}"))

    for flow in facts.tally.flows:
        this = end(flow)
        this = ends.setdefault(this.key, this)
        this.bytes += flow.bytes
        loads[flow.source, this.key] += flow.bytes
    return loads, ends


def _due(facts: Facts, ends: dict[str, _Box]) -> list[Load]:
    """Planned streams that should come and do not: from whom, and where to."""
    wire = PlannedWire.of(facts)
    if not isinstance(wire, PlannedWire):
        return []
    absent = []
    for each in planned_streams(wire, wire.sheet):
        if each.due and not each.heard and each.stream.group:
            group = each.stream.group
            ends.setdefault(group, _Box(group, f"{each.stream.name}: {group}", "planned stream", "missing"))
            absent.append((f"sheet {each.stream.sender}", group))
    return absent


def _add_up(groups: list[_Group], ends: dict[str, _Box], loads: dict[Load, int], spent_s: float) -> None:
    """What each box sends or gets, in its note and in the words that it tells."""
    senders = {box.key: box for group in groups for box in group.boxes}
    everything = max(sum(loads.values()), 1)
    for (sender, end), count in sorted(loads.items(), key=lambda pair: -pair[1]):
        if box := senders.get(sender):
            box.bytes += count
            box.tells.append((count, f"to {ends[end].name} {_mbps(count, spent_s)}"))
            ends[end].tells.append((count, f"from {box.name or sender} {_mbps(count, spent_s)}"))
    for box in senders.values():
        share = f"{_mbps(box.bytes, spent_s)}, {box.bytes / everything:.0%}" if box.bytes else ""
        hardware = "" if box.key.startswith("sheet ") or not box.name else box.key
        box.name = box.name or box.key or "no hardware address"
        box.note = " · ".join(filter(None, (hardware, box.note, share)))
    for box in ends.values():
        if box.bytes:
            box.note = " · ".join(filter(None, (box.note, _mbps(box.bytes, spent_s))))


def _cut(groups: list[_Group], most: int, spent_s: float) -> None:
    """Leave the loudest, and before them what the sheet misses or does not know."""
    urgent = {"missing": 0, "stranger": 1, "silent": 2}
    boxes = [box for group in groups for box in group.boxes]
    kept = sorted(boxes, key=lambda box: (urgent.get(box.state, 3), -box.bytes))[:most]
    chosen = {id(box) for box in kept}
    left_out = [box for box in boxes if id(box) not in chosen]
    for group in groups:
        group.boxes = [box for box in group.boxes if id(box) in chosen]
    groups[:] = [group for group in groups if group.boxes]
    if left_out:
        tells = sorted((each for box in left_out for each in box.tells), key=lambda pair: -pair[0])
        more = _Box(OTHERS, f"{len(left_out)} more senders", "", bytes=sum(box.bytes for box in left_out))
        more.note = _mbps(more.bytes, spent_s)
        more.tells = tells
        groups.append(_Group("and", "", [more]))


def _mbps(count: int, spent_s: float) -> str:
    mbps = count * 8e-6 / spent_s
    return f"{mbps:.1f} Mb/s" if mbps >= 0.95 else f"{1000 * mbps:.0f} kb/s" if mbps >= 0.001 else "< 1 kb/s"


def _drawn(
    groups: list[_Group], right: list[_Box], loads: dict[Load, int], absent: list[Load]
) -> Iterator[str]:
    y = EDGE
    heads = []
    for group in groups:
        heads.append((y, group))
        y += HEAD
        for box in group.boxes:
            box.y, y = y, y + ROW
        y += EDGE
    left = {box.key: box for group in groups for box in group.boxes}
    # Each end stands about as high as those who send to it.
    middle = {
        box.key: _mean(
            (left[sender].y, count)
            for (sender, end), count in loads.items()
            if end == box.key and sender in left
        )
        for box in right
    }
    right = sorted(right, key=lambda box: middle[box.key])
    top = EDGE + HEAD
    gap = max(ROW, (y - EDGE - top) // max(len(right), 1))
    gap = min(gap, 2 * ROW)
    for number, box in enumerate(right):
        box.y = top + gap * number
    height = max(y, top + gap * len(right)) + EDGE
    ends = {box.key: box for box in right}
    yield f'<svg class="whom" viewBox="0 0 {WIDTH} {height}" role="group" aria-label="Who sends to whom">'
    left_of = {key: number for number, key in enumerate(left)}
    right_of = {key: number for number, key in enumerate(ends)}
    most = max(loads.values(), default=1)
    for (sender, end), count in sorted(loads.items(), key=lambda pair: -pair[1]):
        if sender in left and end in ends:
            width = 1.2 + 9 * (count / max(most, 1)) ** 0.5
            tells = f"{left[sender].name} to {ends[end].name}"
            yield _line(left[sender], ends[end], f"s{left_of[sender]} d{right_of[end]}", width, tells)
    for sender, end in absent:
        if sender in left and end in ends:
            where = f"absent s{left_of[sender]} d{right_of[end]}"
            yield _line(
                left[sender], ends[end], where, 2, f"{left[sender].name} should send {ends[end].name}"
            )
    for at, group in heads:
        state = f" {MARKS[group.state].split(' ')[0]}" if group.state else ""
        yield f'<text class="head" x="{EDGE}" y="{at + 20}">{_text(group.title + state, 58)}</text>'
        if group.boxes:
            bottom = group.boxes[-1].y + HEIGHT // 2
            yield f'<path class="stem" d="M{EDGE + 8} {at + 26}V{bottom}"/>'
    for number, box in enumerate(left.values()):
        yield f'<path class="stem" d="M{EDGE + 8} {box.y + HEIGHT // 2}H{EDGE + INDENT}"/>'
        yield _box(box, EDGE + INDENT, f"s{number}", "sends")
    yield f'<text class="head" x="{WIDTH - EDGE - BOX}" y="{EDGE + 20}">goes to</text>'
    for number, box in enumerate(right):
        yield _box(box, WIDTH - EDGE - BOX, f"d{number}", "gets")
    yield "</svg>"


def _mean(weighted: Iterable[tuple[int, int]]) -> float:
    pairs = list(weighted)
    return sum(y * count for y, count in pairs) / max(sum(count for _, count in pairs), 1)


def _line(box: _Box, end: _Box, where: str, width: float, tells: str) -> str:
    x, to, y, at = EDGE + INDENT + BOX, WIDTH - EDGE - BOX, box.y + HEIGHT // 2, end.y + HEIGHT // 2
    half = (x + to) // 2
    return (
        f'<path class="flow {where}" d="M{x} {y}C{half} {y} {half} {at} {to} {at}" stroke-width="{width:.1f}">'
        f"<title>{_text(tells, 140)}</title></path>"
    )


def _box(box: _Box, x: int, number: str, verb: str) -> str:
    note = " · ".join(filter(None, (MARKS.get(box.state, ""), box.note)))
    told = "; ".join(text for _, text in box.tells[:SHOWN_FLOWS])
    more = f"; and {len(box.tells) - SHOWN_FLOWS} more" if len(box.tells) > SHOWN_FLOWS else ""
    tells = f"{box.name}, {note}. {verb.capitalize()} {told or 'nothing that was heard'}{more}."
    return (
        f'<g class="node {box.state}" tabindex="0" role="button" aria-label="{_text(tells, 900)}" '
        f'data-flows="{number}"><rect x="{x}" y="{box.y}" width="{BOX}" height="{HEIGHT}" rx="4"/><text '
        f'class="name" x="{x + 8}" y="{box.y + 15}">{_text(box.name, 40)}</text><text x="{x + 8}" '
        f'y="{box.y + 29}">{_text(note, 48)}</text></g>'
    )


def _text(text: str, most: int) -> str:
    """Cleaned and escaped: what is drawn here goes to the page as it stands."""
    return str(escape(clean(text, most)))
