"""The rig as a picture: SVG for paper and screens, and the same tree as rows of text.

A column for each switch with what hangs on it below; cables between switches are drawn above the columns, each with its
length and how full it is each way. Numbers say what colours only repeat.
"""

from collections.abc import Iterator
from xml.sax.saxutils import escape

from preflight.rig.budget import Budget, Way, cables
from preflight.rig.sheet import Cable, Device, Sheet

COLUMN, ROW, BOX_WIDTH, BOX_HEIGHT, EDGE = 300, 46, 240, 34, 30
LETTER = 6.2  # width of a usual letter of 12, to place words by
NOTE = 46  # letters of the small words in a box
FULL = 0.70  # as trunk-budget has it by default
COLOURS = {"desk": "#dbeafe", "engine": "#ede9fe", "box": "#dcfce7", "spare": "#f3f4f6"}


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


def trunk_load(a: str, b: str, cable: Cable, ways: dict[tuple[str, str], Way]) -> str:
    """How full a cable between switches is each way, or that frames do not take it."""
    there, back = ways.get((a, b)), ways.get((b, a))
    if there is None or back is None or cable not in there.members:
        return "stands by"
    together = f", {len(there.members)} cables as one" if len(there.members) > 1 else ""
    return f"{there.share:.1%} to {b}, {back.share:.1%} to {a}{together}"


def device_load(name: str, switch: str, ways: dict[tuple[str, str], Way]) -> str:
    """What a device sends and gets, as a share of its cable; "" where it is not plugged in."""
    there, back = ways.get((name, switch)), ways.get((switch, name))
    return f", sends {there.share:.1%}, gets {back.share:.1%}" if there and back else ""


def svg(sheet: Sheet, budget: Budget) -> str:
    """The whole picture, a document of its own."""
    laid = list(columns(sheet))
    trunks = between_switches(sheet)
    ways = {(way.sender, way.receiver): way for way in budget.ways}
    x_of = {name: EDGE + number * COLUMN for number, (name, _) in enumerate(laid)}
    top = 70 + 40 * len(trunks)
    height = top + BOX_HEIGHT + ROW * max((len(devices) for _, devices in laid), default=0) + 2 * EDGE
    width = max(2 * EDGE + COLUMN * len(laid), 480)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="{width}" height="{height}" fill="white"/>',
        _label(EDGE, 30, sheet.name, size=18, weight="bold"),
    ]
    plugs = _plugs(trunks, x_of)
    words = []
    for number, (a, b, cable) in enumerate(trunks):
        y = 66 + 40 * number
        left, right = sorted((plugs[number, a], plugs[number, b]))
        load = trunk_load(a, b, cable, ways)
        busy = max((w.share for w in (ways.get((a, b)), ways.get((b, a))) if w), default=0.0)
        parts.append(
            f'<path d="M{left} {top}V{y}H{right}V{top}" fill="none" stroke="{_colour(busy)}" stroke-width="3"'
            f"{_dashes(load == 'stands by')}/>"
        )
        label = f"{cable.a} to {cable.b}: {cable_text(cable)}. {load}"
        # Words that would leave the picture to the right begin further left.
        at = max(min(left + 6, int(width - EDGE - len(label) * LETTER)), EDGE)
        words.append(_label(at, y - 6, label, over_lines=True))
    parts += words  # over all lines
    for name, devices in laid:
        x = x_of[name]
        if name:
            parts.append(
                _box(x, top, name, "#fef3c7", f"switch, {budget.free_ports.get(name, 0)} ports free")
            )
        else:
            parts.append(_label(x, top + 20, "not plugged in on the sheet"))
        for number, device in enumerate(devices):
            y = top + BOX_HEIGHT + 12 + ROW * number
            if name:
                busy = max(
                    (ways[w].share for w in ((device.name, name), (name, device.name)) if w in ways),
                    default=0.0,
                )
                parts.append(
                    f'<path d="M{x + 8} {top + BOX_HEIGHT}V{y + BOX_HEIGHT // 2}H{x + 20}" fill="none" '
                    f'stroke="{_colour(busy)}" stroke-width="2"/>'
                )
            note = f"spare for {device.spare_for}" if device.spare_for else device.kind
            load = device_load(device.name, name, ways)
            note = (note if len(note + load) <= NOTE else note[: NOTE - len(load) - 1] + "…") + load
            parts.append(_box(x + 20, y, device.name, COLOURS[device.kind], note))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _plugs(trunks: list[tuple[str, str, Cable]], x_of: dict[str, int]) -> dict[tuple[int, str], int]:
    """Where each cable between switches meets a switch: side by side, those that go left on the left."""
    ends: dict[str, list[tuple[int, int]]] = {}
    for number, (a, b, _) in enumerate(trunks):
        for here, there in ((a, b), (b, a)):
            ends.setdefault(here, []).append((x_of[there], number))
    return {
        (number, name): x_of[name] + BOX_WIDTH * place // (len(plugged) + 1)
        for name, plugged in ends.items()
        for place, (_, number) in enumerate(sorted(plugged), 1)
    }


def _colour(share: float) -> str:
    return "#b91c1c" if share > FULL else "#374151"


def _dashes(dashed: bool) -> str:
    return ' stroke-dasharray="6 5"' if dashed else ""


def _label(
    x: int, y: int, text: str, size: int = 12, weight: str = "normal", over_lines: bool = False
) -> str:
    halo = (
        'stroke="white" stroke-width="4" stroke-linejoin="round" paint-order="stroke" ' if over_lines else ""
    )
    return f'<text x="{x}" y="{y}" {halo}font-size="{size}" font-weight="{weight}">{escape(text)}</text>'


def _box(x: int, y: int, name: str, fill: str, note: str) -> str:
    shown = name if len(name) <= 34 else name[:33] + "…"
    return (
        f'<rect x="{x}" y="{y}" width="{BOX_WIDTH}" height="{BOX_HEIGHT}" rx="4" fill="{fill}" stroke="#374151"/>'
        + _label(x + 8, y + 15, shown, weight="bold")
        + _label(x + 8, y + 29, note, size=10)
    )
