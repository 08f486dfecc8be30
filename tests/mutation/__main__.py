"""Mutation testing by hand: does any test notice when a line of a check or a tally is changed?

    python -m tests.mutation [--sample N] [--seed S] [--lanes L] [FILE ...]

Strategy: Cosmic Ray's operators make the mutants; of each file a random sample is drawn, because all of them would take
a day. A mutant runs against the test file that is named after its module, or the tests of its room, in a copy of the
tree, one copy a lane. Words, annotations, decorators of classes and the order of fixing are left alone: whatever they are, nothing is decided by them. What survived is
printed as a line with the change, so that somebody can tell whether it is equivalent.
"""

import argparse
import ast
import difflib
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from queue import SimpleQueue

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

ROOT = Path(__file__).parent.parent.parent
ROOMS = ("preflight/checks", "preflight/tally")
# Of the arithmetic ones, those a slip makes.
SLIPS = ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Div")
COMPARISONS = ({"Eq", "NotEq", "Lt", "LtE", "Gt", "GtE"}, {"Is", "IsNot"}, {"In", "NotIn"})
KINDS = ("NumberReplacer", "AndWithOr", "OrWithAnd", "AddNot", "TrueWithFalse", "FalseWithTrue", "BreakWith", "ContinueWith", "ZeroIteration")  # fmt: skip
TIMEOUT_S = 120


@dataclass(frozen=True)
class Mutant:
    file: str
    line: int
    code: str


def operators() -> Iterator[str]:
    for name in operator_names():
        if any(kind in name for kind in KINDS) or name.endswith(SLIPS):
            yield name
        elif "ReplaceComparison" in name:
            # `==` for `is` is the same wherever there is only one None.
            one, other = name.split("_")[1:]
            if any({one, other} <= family for family in COMPARISONS):
                yield name


def mutants(file: str, draw: random.Random) -> Iterator[Mutant]:
    """Every mutant of a file, in an order drawn by lot. To make one takes long: take no more than are wanted."""
    source = (ROOT / file).read_text(encoding="utf-8")
    skipped = left_alone(source)
    nodes = list(ast_nodes(get_ast(source)))
    places = [
        (name, occurrence, start[0])
        for name in operators()
        for occurrence, (start, _) in enumerate(
            place for node in nodes for place in get_operator(name)().mutation_positions(node)
        )
        if start[0] not in skipped
    ]
    draw.shuffle(places)
    for name, occurrence, line in places:
        code = mutate_code(source, get_operator(name)(), occurrence)
        if code is not None and code != source:
            yield Mutant(file, line, code)


def left_alone(source: str) -> set[int]:
    """Lines of imports, annotations, plain words and how a class of data is made, and the order of fixing."""
    lines: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        told: list[ast.AST | None] = []
        if isinstance(node, ast.Import | ast.ImportFrom):
            told = [node]
        elif isinstance(node, ast.AnnAssign):
            told = [node.annotation]
        elif isinstance(node, ast.FunctionDef):
            told = [node.returns, *(arg.annotation for arg in node.args.args)]
        elif isinstance(node, ast.ClassDef):
            told = list(node.decorator_list)
        elif isinstance(node, ast.keyword) and node.arg == "order":
            told = [node.value]
        for each in told:
            if each is not None and hasattr(each, "lineno"):
                lines.update(range(each.lineno, (each.end_lineno or each.lineno) + 1))
    return lines


def tests_of(file: str) -> list[str]:
    path = Path(file)
    own = ROOT / "tests" / path.relative_to("preflight").parent / f"test_{path.name}"
    if own.is_file():
        return [str(own.relative_to(ROOT))]
    return ["tests/tally", "tests/checks/wire"] if "tally" in file else ["tests/checks"]


def killed(mutant: Mutant, lane: Path) -> bool:
    target = lane / mutant.file
    before = target.read_text(encoding="utf-8")
    target.write_text(mutant.code, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests_of(mutant.file)]
    try:
        done = subprocess.run(
            command,
            cwd=lane,
            env={**os.environ, "PYTHONPATH": str(lane)},
            capture_output=True,
            timeout=TIMEOUT_S,
        )
        return done.returncode != 0
    except subprocess.TimeoutExpired:
        return True
    finally:
        target.write_text(before, encoding="utf-8")


def change(mutant: Mutant) -> str:
    before = (ROOT / mutant.file).read_text(encoding="utf-8").splitlines()
    lines = [
        line
        for line in difflib.unified_diff(before, mutant.code.splitlines(), n=0, lineterm="")
        if line[:1] in "+-" and line[:3] not in ("+++", "---")
    ]
    return "  ->  ".join(line[1:].strip() for line in lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation")
    parser.add_argument("files", nargs="*", help="files of checks or tally; all of both where none is named")
    parser.add_argument("--sample", type=int, default=12, help="mutants of a file")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lanes", type=int, default=2)
    asked = parser.parse_args()
    files = asked.files or sorted(
        str(path.relative_to(ROOT))
        for room in ROOMS
        for path in (ROOT / room).rglob("*.py")
        if path.name != "__init__.py"
    )
    draw = random.Random(asked.seed)
    drawn = []
    for file in files:
        drawn += islice(mutants(file, draw), asked.sample)
    with tempfile.TemporaryDirectory() as folder:
        lanes: SimpleQueue[Path] = SimpleQueue()
        for number in range(asked.lanes):
            lane = Path(folder) / str(number)
            shutil.copytree(ROOT, lane, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__"))
            lanes.put(lane)

        def tried(mutant: Mutant) -> bool:
            lane = lanes.get()
            try:
                dead = killed(mutant, lane)
            finally:
                lanes.put(lane)
            if not dead:
                print(f"survived {mutant.file}:{mutant.line} {change(mutant)}", flush=True)
            return dead

        with ThreadPoolExecutor(asked.lanes) as pool:
            results = list(zip(drawn, pool.map(tried, drawn), strict=True))
    dead_of: dict[str, list[bool]] = {}
    for mutant, dead in results:
        dead_of.setdefault(mutant.file, []).append(dead)
    for file, several in dead_of.items():
        print(f"{sum(several):3} of {len(several):3} killed  {file}")
    total = [dead for several in dead_of.values() for dead in several]
    print(
        f"{sum(total)} of {len(total)} mutants killed, {sum(total) / max(len(total), 1):.0%}; seed {asked.seed}"
    )


if __name__ == "__main__":
    main()
