"""The rig as a picture: SVG for paper and screens, and the same tree as rows of text.

A tree from front of house outwards: each switch is a block with its devices in it, and the switches behind it
stand below, further in. Cables run left of all words, those that stand by in lanes right of them, so that no
line crosses a label. Numbers and words say what colours only repeat.
"""

from collections.abc import Iterator, Mapping
from xml.sax.saxutils import escape

from preflight.rig.budget import Budget, Way, cables
from preflight.rig.sheet import Cable, Device, Sheet

WIDTH, EDGE, INDENT, LANE = 1240, 20, 44, 16
BOX_WIDTH, BOX_HEIGHT, ROW, HEAD, LINE, GAP = 218, 44, 52, 40, 24, 16
NAME, NOTE = 25, 33  # letters of a device's name and of the small words below it
FULL = 0.70  # as trunk-budget has it by default
LEAST = 0.0005  # a smaller share of a cable is nothing
COLOURS = {"desk": "#dbeafe", "engine": "#ede9fe", "box": "#dcfce7", "spare": "#f3f4f6"}
SWITCH, INK, RED = "#fef3c7", "#374151", "#b91c1c"
Ways = dict[tuple[str, str], Way]


def columns(sheet: Sheet) -> Iterator[tuple[str, list[Device]]]:
    """Each switch and the devices plugged into it; "" for what is plugged in nowhere."""
    hangs: dict[str, list[Device]] = {switch.name: [] for switch in sheet.switch}
    placed = set()
    for cable in cables(sheet):
        a, b = sheet.place(cable.a)[0], sheet.place(cable.b)[0]
        for name, other in ((a, b), (b, a)):
            device = sheet.named(name)
            if device is not None and other in hangs:
                hangs[other].append(device)
                placed.add(name)
    yield from hangs.items()
    loose = [device for device in sheet.device if device.name not in placed]
    if loose:
        yield "", loose


def between_switches(sheet: Sheet) -> list[tuple[str, str, Cable]]:
    names = {switch.name for switch in sheet.switch}
    ends = [(sheet.place(cable.a)[0], sheet.place(cable.b)[0], cable) for cable in cables(sheet)]
    return [(a, b, cable) for a, b, cable in ends if a in names and b in names]


def cable_text(cable: Cable) -> str:
    length = f"{cable.length_m:g} m {cable.medium}" if cable.length_m is not None else cable.medium
    if cable.name:
        length = f"{cable.name}, {length}"
    return f"{length}, {cable.speed_mbps} Mb/s"


def trunk_load(a: str, b: str, cable: Cable, ways: Ways) -> str:
    """How full a cable between switches is each way, or that frames do not take it; "" where nothing is
    planned to."""
    there, back = ways.get((a, b)), ways.get((b, a))
    if there is None or back is None or cable not in there.members:
        return "stands by"
    loads = [f"{way.share:.1%} to {way.receiver}" for way in (there, back) if way.share > LEAST]
    together = [f"{len(there.members)} cables as one"] if len(there.members) > 1 else []
    return ", ".join([*loads, *together])


def device_load(name: str, switch: str, ways: Ways) -> str:
    """What a device sends and gets, as a share of its cable; "" where that is nothing, or it is not plugged
    in."""
    loads = (("sends", ways.get((name, switch))), ("gets", ways.get((switch, name))))
    return "".join(f", {verb} {way.share:.1%}" for verb, way in loads if way and way.share > LEAST)


def svg(sheet: Sheet, budget: Budget, faults: Mapping[str, str] | None = None) -> str:
    """The whole picture, a document of its own. `faults` tells the checks that fail by the names of devices,
    switches and cables (`Cable.called`)."""
    drawing = _Drawing(sheet, budget, faults or {})
    for root in drawing.roots():
        drawing.switch(root, None, 0)
    if drawing.hangs.get(""):
        drawing.devices("", "not plugged in on the sheet", 0)
    return drawing.document()


class _Drawing:
    """Blocks from the top down. `y` is where the next one begins."""

    def __init__(self, sheet: Sheet, budget: Budget, faults: Mapping[str, str]) -> None:
        self._sheet, self._budget, self._faults = sheet, budget, faults
        self._ways = {(way.sender, way.receiver): way for way in budget.ways}
        self.hangs = dict(columns(sheet))
        trunks = between_switches(sheet)
        loads = [trunk_load(a, b, cable, self._ways) for a, b, cable in trunks]
        self._taken = [trunk for trunk, load in zip(trunks, loads, strict=True) if load != "stands by"]
        self._idle = [trunk for trunk, load in zip(trunks, loads, strict=True) if load == "stands by"]
        self._right = WIDTH - EDGE - LANE * len(self._idle)
        self._heads: dict[str, int] = {}  # the middle of each switch's head
        self._open: dict[
            int, tuple[str, int]
        ] = {}  # cables that stand by: their other end, and where they leave
        self._under: list[str] = []
        self._over: list[str] = []
        self.y = 56

    def roots(self) -> Iterator[str]:
        """Front of house first: the switch at which the desk is; then those that no cable leads to."""
        names = [switch.name for switch in self._sheet.switch]
        desks = {device.name for device in self._sheet.device if device.kind == "desk"}
        names.sort(key=lambda name: not any(device.name in desks for device in self.hangs[name]))
        yield from (name for name in names if name not in self._heads)

    def switch(self, name: str, parent: str | None, depth: int) -> None:
        """A switch, and below it those behind it."""
        if name in self._heads:
            return
        free = self._budget.free_ports.get(name, 0)
        self.devices(name, f"switch, {free} port{'' if free == 1 else 's'} free", depth)
        line, start = EDGE + depth * INDENT + 20, self.y - GAP
        for other in self._behind(name, parent):
            colour = RED if any(self._is_red(a, b, c) for a, b, c in self._joining(name, other)) else INK
            for a, b, cable in self._joining(name, other):
                load = trunk_load(a, b, cable, self._ways)
                words = f"{cable.a} to {cable.b}: {cable_text(cable)}{f'. {load}' if load else ''}"
                red = self._is_red(a, b, cable)
                self._words(line + 14, self.y + 12, words + self._fails(cable.called), red)
                self.y += LINE
            head = self.y + HEAD // 2
            self._under.append(
                f'<path d="M{line} {start}V{head}H{line + INDENT - 20}" fill="none" stroke="{colour}" '
                'stroke-width="4"/>'
            )
            self.switch(other, name, depth + 1)

    def devices(self, name: str, note: str, depth: int) -> None:
        """The block of a switch: its head, the cables that stand by, its devices."""
        x, top = EDGE + depth * INDENT, self.y
        wide = self._right - x
        red = name in self._faults
        if name:
            self._heads[name] = top + HEAD // 2
            self._over.append(_rect(x, top, wide, HEAD, SWITCH, RED if red else INK, 3 if red else 1))
        self._words(x + 12, top + 26, name, red, size=16, bold=True)
        self._words(x + 24 + 10 * len(name), top + 25, note + self._fails(name), red)
        self.y += HEAD + 8
        for number, (a, b, cable) in enumerate(self._idle):
            other = b if a == name else a
            if name in (a, b) and number not in self._open:
                words = f"{cable.a} to {cable.b}: {cable_text(cable)}. Stands by{self._fails(cable.called)}"
                self._words(x + 12, self.y + 14, words, cable.called in self._faults)
                self._open[number] = other, self.y + 10
                self.y += LINE
        across = max((wide - 12) // (BOX_WIDTH + 10), 1)
        hanging = self.hangs.get(name, [])
        for number, device in enumerate(hanging):
            self._device(
                device, name, x + 12 + number % across * (BOX_WIDTH + 10), self.y + number // across * ROW
            )
        self.y += -(-len(hanging) // across) * ROW + 4
        self._under.append(_rect(x, top, wide, self.y - top, "none", INK, 1))
        self.y += GAP

    def document(self) -> str:
        """What was drawn, its lanes and its legend."""
        for lane, (number, (other, leaves)) in enumerate(self._open.items()):
            if other in self._heads:
                at = self._right + LANE * (lane + 1) - LANE // 2
                colour = RED if self._idle[number][2].called in self._faults else INK
                self._under.append(
                    f'<path d="M{self._right} {leaves}H{at}V{self._heads[other]}H{self._right}" fill="none" '
                    f'stroke="{colour}" stroke-width="3" stroke-dasharray="6 5"/>'
                )
        self._legend()
        height = self.y + EDGE
        return "\n".join(
            [
                f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" '
                f'height="{height}" font-family="sans-serif" font-size="13">',
                f'<rect width="{WIDTH}" height="{height}" fill="white"/>',
                f'<text x="{EDGE}" y="36" font-size="20" '
                f'font-weight="bold">{escape(self._sheet.name)}</text>',
                *self._under,
                *self._over,
                "</svg>",
            ]
        ) + "\n"  # fmt: skip

    def _legend(self) -> None:
        x = EDGE
        for words, fill, edge in (
            *((kind, colour, INK) for kind, colour in COLOURS.items()),
            ("switch", SWITCH, INK),
            ("fails the check that it names", "white", RED),
        ):
            self._over.append(_rect(x, self.y + 4, 22, 14, fill, edge, 3 if edge == RED else 1))
            self._words(x + 28, self.y + 16, words, edge == RED)
            x += 50 + 8 * len(words)
        if self._idle:
            self._over.append(
                f'<path d="M{x} {self.y + 11}h24" stroke="{INK}" stroke-width="3" stroke-dasharray="6 5"/>'
            )
            self._words(x + 30, self.y + 16, "stands by", False)
            x += 120
        self._words(x, self.y + 16, "Per cent: of the cable, each way", False)
        self.y += LINE
        if assumed := sorted({name for way in self._budget.ways for name in way.assumed}):
            words = f"Multicast counts as flooded by {', '.join(assumed)}: the sheet does not tell whether they snoop"
            self._words(EDGE, self.y + 16, words, False)
            self.y += LINE

    def _behind(self, name: str, parent: str | None) -> list[str]:
        """The switches that frames reach over this one."""
        ends = [b if a == name else a for a, b, _ in self._taken if name in (a, b)]
        return [other for other in dict.fromkeys(ends) if other not in (parent, name)]

    def _joining(self, name: str, other: str) -> list[tuple[str, str, Cable]]:
        return [(a, b, cable) for a, b, cable in self._taken if {a, b} == {name, other}]

    def _device(self, device: Device, switch: str, x: int, y: int) -> None:
        fails = self._fails(device.name)
        red = bool(fails) or any(
            self._is_full(way) for way in ((device.name, switch), (switch, device.name)) if switch
        )
        note = f"spare for {device.spare_for}" if device.spare_for else device.kind
        load = fails or device_load(device.name, switch, self._ways)
        self._over.append(
            _rect(x, y, BOX_WIDTH, BOX_HEIGHT, COLOURS[device.kind], RED if red else INK, 3 if red else 1)
        )
        self._over.append(f"<g><title>{escape(device.name)}</title>")
        self._words(x + 8, y + 18, _cut(device.name, NAME), red, size=14, bold=True)
        self._words(x + 8, y + 36, _cut(_cut(note, max(NOTE - len(load), 6)) + load, NOTE + 6), red, size=12)
        self._over.append("</g>")

    def _fails(self, name: str) -> str:
        return f", ✗ {self._faults[name]}" if name in self._faults else ""

    def _is_red(self, a: str, b: str, cable: Cable) -> bool:
        return cable.called in self._faults or self._is_full((a, b)) or self._is_full((b, a))

    def _is_full(self, hop: tuple[str, str]) -> bool:
        return hop in self._ways and self._ways[hop].sure_share > FULL

    def _words(self, x: int, y: int, text: str, red: bool, size: int = 13, bold: bool = False) -> None:
        weight = ' font-weight="bold"' if bold else ""
        self._over.append(
            f'<text x="{x}" y="{y}" font-size="{size}"{weight} '
            f'fill="{RED if red else "#111827"}">{escape(text)}</text>'
        )


def _rect(x: int, y: int, width: int, height: int, fill: str, stroke: str, wide: int) -> str:
    return (
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="4" fill="{fill}" stroke="{stroke}" '
        f'stroke-width="{wide}"/>'
    )


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
