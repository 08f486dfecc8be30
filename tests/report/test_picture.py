"""The picture of the rig as a browser draws it: legible at 1280, no cable over a word, red where a check
fails."""

from pathlib import Path

import pytest

from preflight.facts import Facts
from preflight.report.faults import faults
from preflight.rig.budget import plan
from preflight.rig.picture import svg
from preflight.rig.read import load, parse
from preflight.verdict import judged
from tests.report.pages import Opened

SALT_ROAD = Path(__file__).parents[2] / "docs/salt-road.toml"
WRONG = """
name = "Much of it wrong"
switch = [
  {name = "monitors", ports = 8}, {name = "foh", ports = 4}, {name = "stage", ports = 12, poe_class = 3, poe_budget_w = 20},
  {name = "amps", ports = 8},
]
cable = [
  {name = "the long run", a = "foh 4", b = "stage 12", length_m = 120},
  {name = "the second run", a = "foh 3", b = "stage 11", length_m = 20},
  {a = "stage 10", b = "monitors 1"}, {a = "stage 9", b = "amps 1", speed_mbps = 100}, {a = "monitors 2", b = "amps 2"},
]
device = [
  {name = "desk", kind = "desk", port = "foh 1"}, {name = "engine", kind = "engine", port = "foh 2"},
  {name = "box left", kind = "box", port = "stage 1", poe_class = 4}, {name = "box right", kind = "box", port = "stage 2", poe_class = 3},
  {name = "amp rack", kind = "box", port = "amps 3"}, {name = "in the truck", kind = "box"},
]
stream = [
  {name = "left", sender = "box left", receivers = ["desk"], channels = 32, packet_time_ms = 0.125},
  {name = "lost", sender = "in the truck", receivers = ["desk"], channels = 2},
]
"""
# Each straight piece of each cable, and the box of each word, in the picture's own measures.
MEASURED = """() => ({
  words: [...document.querySelectorAll("text")].map((t) => { const b = t.getBBox(); return [t.textContent, b.x, b.y, b.x + b.width, b.y + b.height]; }),
  cables: [...document.querySelectorAll("path")].flatMap((path) => {
    const whole = path.getTotalLength(), points = [];
    for (let at = 0; at <= whole; at += 2) { const p = path.getPointAtLength(at); points.push([p.x, p.y]); }
    return points;
  }),
  sizes: [...document.querySelectorAll("text")].map((t) => parseFloat(getComputedStyle(t).fontSize)),
  wide: document.documentElement.getBoundingClientRect().width,
})"""


def sheet(name: str):
    return load(str(SALT_ROAD)) if name == "salt road" else parse(WRONG)


def drawn(name: str) -> tuple[str, dict[str, str]]:
    planned = sheet(name)
    budget = plan(planned)
    found = faults(planned, budget, judged(Facts(sheet=planned, budget=budget)).verdict)
    return svg(planned, budget, found), found


@pytest.mark.parametrize("name", ["salt road", "wrong"])
def test_every_word_can_be_read_and_no_cable_crosses_one(browser, name, tmp_path):
    file = tmp_path / "rig.svg"
    file.write_text(drawn(name)[0], encoding="utf-8")
    told = Opened(browser, file, 1280).page.evaluate(MEASURED)
    assert told["wide"] <= 1280 and min(told["sizes"]) >= 12
    words = told["words"]
    assert all(x >= 0 and right <= told["wide"] for _, x, _, right, _ in words)
    for text, x, top, right, bottom in words:
        crossed = [point for point in told["cables"] if x < point[0] < right and top < point[1] < bottom]
        assert not crossed or text == "stands by", text
    for number, (text, x, top, right, bottom) in enumerate(words):
        for other, x2, top2, right2, bottom2 in words[:number]:
            assert x >= right2 or x2 >= right or top >= bottom2 or top2 >= bottom, (text, other)


def test_what_fails_is_red_and_names_its_check():
    picture, found = drawn("wrong")
    assert found == {
        "the long run (foh 4 to stage 12)": "cable-length",
        "box left": "power-budget",
        "stage": "power-budget",
        "in the truck": "trunk-budget",
        "desk": "trunk-budget",
        "amps": "topology",
        "monitors": "topology",
        "foh": "topology",
    }
    for check in set(found.values()):
        assert f"✗ {check}" in picture
    assert "0.0%" not in picture and "no load" not in picture
    assert drawn("salt road")[1] == {} and "✗" not in drawn("salt road")[0]


def test_the_tree_begins_at_front_of_house():
    picture = drawn("wrong")[0]
    order = [picture.index(f">{name}</text>") for name in ("foh", "stage", "monitors", "amps")]
    assert order == sorted(order)
    assert "stage 9 to amps 1: copper, 100 Mb/s. Stands by" in picture
