"""The house stands as DEVELOPERS.md draws it: one direction between rooms, each check whole in its file."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from preflight.checks import SUBJECTS, all_checks, check_named
from preflight.checks.rule import Check

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "preflight"
TABLE = re.compile(r"^\| `preflight/(\S+?)(?:/|\.py)` \|[^|]*\| (.*?) \|$", re.MULTILINE)


def rooms() -> dict[str, set[str]]:
    """The table of DEVELOPERS.md: each room, and the rooms that it may import."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return {
        room: set(re.findall(r"[a-z_]+", allowed)) - {"nothing", "all", "of", "ours"}
        for room, allowed in TABLE.findall(text)
    }


def room_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path) -> Iterator[str]:
    """The modules of ours that a file imports, wherever in it."""
    for node in ast.walk(tree(path)):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and node.module:
            # `from preflight import wire` names a room, too.
            names = (
                [f"{node.module}.{alias.name}" for alias in node.names]
                if node.module == "preflight"
                else [node.module]
            )
        yield from (name for name in names if name.split(".")[0] == "preflight")


def arrows() -> dict[str, dict[str, set[str]]]:
    """For each room the rooms that it imports, and the files that do."""
    found: dict[str, dict[str, set[str]]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        inside = path.relative_to(PACKAGE)
        room = inside.parts[0].removesuffix(".py")
        for module in imported(path):
            if (other := room_of(module)) and other not in (room, "__version__"):
                found.setdefault(room, {}).setdefault(other, set()).add(str(inside))
    return found


def test_each_room_imports_only_what_the_table_allows():
    table = rooms()
    wrong = [
        f"{room} imports {other}: {', '.join(sorted(files))}"
        for room, others in arrows().items()
        if room not in ("cli", "__main__")
        for other, files in others.items()
        if other not in table.get(room, set())
    ]
    assert not wrong, "\n".join(wrong)


def test_the_table_names_every_room():
    here = {
        path.name.removesuffix(".py")
        for path in PACKAGE.iterdir()
        if path.name[0] not in "_." and path.suffix != ".txt"
    }
    assert set(rooms()) == here


def test_the_table_has_no_cycle():
    """Rooms can be taken away one by one, each time one that needs none of those that are left."""
    left = {room: allowed - {room} for room, allowed in rooms().items()}
    while free := [room for room, needs in left.items() if not needs & left.keys()]:
        for room in free:
            del left[room]
    assert not left


def test_no_check_reads_another():
    for path in sorted((PACKAGE / "checks").rglob("*.py")):
        others = [m for m in imported(path) if re.match(rf"preflight\.checks\.({'|'.join(SUBJECTS)})\.", m)]
        assert not others, path


def test_only_checks_mention_devices():
    """`say.who` marks a place for a name, which is put there when a finding is made. Whoever else speaks of
    devices asks `names_of(facts)` for the name."""
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.is_relative_to(PACKAGE / "checks"):
            continue
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.ImportFrom) and node.module == "preflight.checks.say":
                assert "who" not in {alias.name for alias in node.names}, path


each_check = pytest.mark.parametrize(
    "check", [check for check, _ in all_checks()], ids=lambda check: check.name
)


def file_of(check: Check) -> Path:
    return PACKAGE / "checks" / check.subject / f"{check.name.replace('-', '_')}.py"


@each_check
def test_a_check_stands_in_the_folder_of_its_subject_and_has_a_test_file(check):
    assert file_of(check).is_file()
    tests = ROOT / "tests" / "checks" / check.subject / f"test_{file_of(check).stem}.py"
    assert tests.is_file()


def judging(check: Check) -> Iterator[ast.AST]:
    """All of the code that judges for a check: its file, without the explanation, and what it takes from
    `see/`."""
    for path in (file_of(check), *_helpers(file_of(check))):
        for node in tree(path).body:
            if not (isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "CHECK"):
                yield from ast.walk(node)


def _helpers(path: Path) -> Iterator[Path]:
    for module in imported(path):
        if module.startswith("preflight.checks.see."):
            yield ROOT / (module.replace(".", "/") + ".py")


@each_check
def test_every_limit_decides(check):
    """A limit that no path reads would be accepted from a rig sheet, echoed, and change nothing. Read are
    `limits["share"]`, `limits[f"class {number}"]`, all of `limits.items()`, and those that signs name as what
    they weigh."""
    weighs = "preflight.checks.see.signs" in imported(file_of(check))
    names, read = {limit.name for limit in check.limits}, {check.least_s}
    for node in judging(check):
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "limits.items":
            read |= names
        elif isinstance(node, ast.Subscript) and ast.unparse(node.value) == "limits":
            if isinstance(node.slice, ast.JoinedStr):
                start = ast.literal_eval(node.slice.values[0])
                read |= {name for name in names if name.startswith(start)}
            read |= {each.value for each in ast.walk(node.slice) if isinstance(each, ast.Constant)}
        elif isinstance(node, ast.Constant) and weighs:
            read.add(node.value)  # signs name what they weigh, and `signs` reads it
    assert names <= read
    assert check.least_s in names | {""}


@each_check
def test_what_a_check_explains_is_another_check(check):
    for known in check.explains:
        assert all(check_named(symptom) for symptom in known.symptoms)
        assert check.name not in known.symptoms


def test_the_order_of_fixing_is_one_order():
    orders = [check.order for check, _ in all_checks()]
    assert len(set(orders)) == len(orders)
