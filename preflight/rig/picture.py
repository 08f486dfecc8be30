"""The rig as a picture: SVG for paper and screens, and the same tree as rows of text.

A column for each switch with what hangs on it below; cables between switches are drawn above the columns, each with its
length and how full it is each way. Numbers say what colours only repeat.
"""

from collections.abc import Iterator
from xml.sax.saxutils import escape

from preflight.rig.budget import Budget, Way, cables
from preflight.rig.sheet import Cable, Device, Sheet

COLUMN, ROW, BOX_WIDTH, BOX_HEIGHT, EDGE = 260, 46, 200, 34, 30
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
    return f"{length}, {cable.speed_mbps} Mb/s"


def trunk_load(a: str, b: str, cable: Cable, ways: dict[tuple[str, str], Way]) -> str:
    """How full a cable between switches is each way, or that frames do not take it."""
    there, back = ways.get((a, b)), ways.get((b, a))
    if there is None or back is None or there.cable != cable:
        return "stands by"
    return f"{there.share:.1%} to {b}, {back.share:.1%} to {a}"


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
        _words(EDGE, 30, sheet.name, size=18, weight="bold"),
    ]
    for number, (a, b, cable) in enumerate(trunks):
        y = 66 + 40 * number
        # The first one spans the others, so that no line runs through the words of another.
        left, right = sorted((x_of[a] + BOX_WIDTH // 2, x_of[b] + BOX_WIDTH // 2))
        left, right = left + 8 * number, right + 8 * (len(trunks) - number)
        load = trunk_load(a, b, cable, ways)
        busy = max((w.share for w in (ways.get((a, b)), ways.get((b, a))) if w), default=0.0)
        parts.append(
            f'<path d="M{left} {top}V{y}H{right}V{top}" fill="none" stroke="{_colour(busy)}" stroke-width="3"'
            f"{_dashes(load == 'stands by')}/>"
        )
        parts.append(_words(left + 6, y - 6, f"{cable.a} to {cable.b}: {cable_text(cable)}. {load}"))
    for name, devices in laid:
        x = x_of[name]
        if name:
            parts.append(
                _box(x, top, name, "#fef3c7", f"switch, {budget.free_ports.get(name, 0)} ports free")
            )
        else:
            parts.append(_words(x, top + 20, "not plugged in on the sheet"))
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
            note += device_load(device.name, name, ways)
            parts.append(_box(x + 20, y, device.name, COLOURS[device.kind], note))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _colour(share: float) -> str:
    return "#b91c1c" if share > FULL else "#374151"


def _dashes(dashed: bool) -> str:
    return ' stroke-dasharray="6 5"' if dashed else ""


def _words(x: int, y: int, text: str, size: int = 12, weight: str = "normal") -> str:
    return f'<text x="{x}" y="{y}" font-size="{size}" font-weight="{weight}">{escape(text)}</text>'


def _box(x: int, y: int, name: str, fill: str, note: str) -> str:
    shown = name if len(name) <= 28 else name[:27] + "…"
    return (
        f'<rect x="{x}" y="{y}" width="{BOX_WIDTH}" height="{BOX_HEIGHT}" rx="4" fill="{fill}" stroke="#374151"/>'
        + _words(x + 8, y + 15, shown, weight="bold")
        + _words(x + 8, y + 29, note, size=10)
    )
