"""Mutation testing by hand: does any test notice when a line of a check or a tally is changed?

    python -m tests.mutation [--sample N] [--seed S] [--lanes L] [FILE ...]

Strategy: Cosmic Ray's operators make the mutants of all files; a random sample of them is drawn, because all
would take days. A mutant runs against the test file that is named after its module; one of the tally that
lives is tried by the other tests of the tally, too, which are by subject. It does so in a copy of the tree,
one copy a lane, and in a fork of a process that has loaded pytest and what tests use, which is most of what a
short test takes. Words, annotations, decorators of classes and the order of fixing are left alone: whatever
they are, nothing is decided by them. What survived is printed as a line with the change, so that somebody can
tell whether it is equivalent.
"""

import argparse
import ast
import difflib
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from itertools import islice
from pathlib import Path
from typing import NoReturn

import pytest
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

ROOT = Path(__file__).parent.parent.parent
ROOMS = ("preflight/checks", "preflight/tally")
# Of the arithmetic ones, those a slip makes.
SLIPS = ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Div")
COMPARISONS = ({"Eq", "NotEq", "Lt", "LtE", "Gt", "GtE"}, {"Is", "IsNot"}, {"In", "NotIn"})
KINDS = ("NumberReplacer", "AndWithOr", "OrWithAnd", "AddNot", "TrueWithFalse", "FalseWithTrue", "BreakWith", "ContinueWith", "ZeroIteration")  # fmt: skip
# A mutant that takes so long hangs: of the processor's time, which a busy machine does not use up, and of the
# clock's for one that sleeps.
PROCESSOR_S, CLOCK_S = 60, 1200
# What tests take long to load.
LOADED = ("hypothesis.strategies", "networkx", "numpy", "pydantic", "scapy.contrib.cdp", "scapy.contrib.lldp", "scapy.layers.dhcp6", "scapy.layers.dns")  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    file: str
    line: int
    before: str
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


def mutants(files: list[str], draw: random.Random) -> Iterator[Mutant]:
    """Every mutant of the files, in an order drawn by lot. To make one takes long: take no more than are
    wanted."""
    places = [place for file in files for place in places_of(file)]
    draw.shuffle(places)
    for file, name, occurrence, line in places:
        source = (ROOT / file).read_text(encoding="utf-8")
        code = mutate_code(source, get_operator(name)(), occurrence)
        if code is not None and code != source:
            yield Mutant(file, line, source, code)


def places_of(file: str) -> Iterator[tuple[str, str, int, int]]:
    """The file, and for each mutant of it the operator, which of its occurrences, and the line."""
    source = (ROOT / file).read_text(encoding="utf-8")
    skipped = left_alone(source)
    nodes = list(ast_nodes(get_ast(source)))
    for name in operators():
        operator = get_operator(name)()
        found = (start for node in nodes for start, _ in operator.mutation_positions(node))
        for occurrence, (line, _) in enumerate(found):
            if line not in skipped:
                yield file, name, occurrence, line


def left_alone(source: str) -> set[int]:
    """Lines of imports, annotations, plain words and how a class of data is made, and the order of fixing."""
    lines: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        told: list[ast.AST | None] = []
        if isinstance(node, ast.Import | ast.ImportFrom):
            told = [node]
        elif isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            told = [node.test]
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


def tests_of(file: str) -> list[list[str]]:
    """Tests of a module, each lot to be run where the one before did not notice."""
    path = Path(file)
    folder = Path("tests", *path.parts[1:-1])
    subject = path.stem.removesuffix("_kernels")
    own = [
        each
        for each in (folder / f"test_{subject}.py", folder / f"test_{subject}s.py")
        if (ROOT / each).is_file()
    ]
    lots = [[str(each) for each in own]] if own else []
    if "tally" in path.parts:
        lots.append(["tests/tally"])
    return lots or [["tests/checks"]]


def run(lane: Path, lots: list[list[str]]) -> NoReturn:
    """In a fork: ends it with 0 where all tests pass in this copy of the tree."""
    # Ours of the tree itself are forgotten, so that the copy's are loaded.
    for name in [name for name in sys.modules if name.split(".")[0] in ("tests", "preflight")]:
        del sys.modules[name]
    os.chdir(lane)
    sys.path[:] = [str(lane), *(each for each in sys.path if each not in ("", str(ROOT)))]
    os.environ["PYTHONPATH"] = str(lane)
    silent = os.open(os.devnull, os.O_RDWR)
    for number in range(3):
        os.dup2(silent, number)
    resource.setrlimit(resource.RLIMIT_CPU, (PROCESSOR_S, PROCESSOR_S))
    signal.alarm(CLOCK_S)
    failed = 1
    try:
        failed = any(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *tests]) for tests in lots)
    finally:
        os._exit(int(failed))


def begin(lane: Path, lots: list[list[str]]) -> int:
    """The process id of the fork that runs the tests."""
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        run(lane, lots)
    return pid


def change(mutant: Mutant) -> str:
    lines = [
        line
        for line in difflib.unified_diff(
            mutant.before.splitlines(), mutant.code.splitlines(), n=0, lineterm=""
        )
        if line[:1] in "+-" and line[:3] not in ("+++", "---")
    ]
    return "  ->  ".join(line[1:].strip() for line in lines)


def put(code: str, target: Path) -> None:
    """What was compiled of the one before goes: Python takes a file of the same second and length for the
    same."""
    target.write_text(code, encoding="utf-8")
    for compiled in target.parent.glob(f"__pycache__/{target.stem}.*"):
        compiled.unlink()


def tried(drawn: list[Mutant], lanes: list[Path]) -> Iterator[tuple[Mutant, bool]]:
    """Each mutant with whether a test noticed, as they are done."""
    free, waiting = list(lanes), list(drawn)
    running: dict[int, tuple[Mutant, Path]] = {}
    while waiting or running:
        if waiting and free:
            mutant, lane = waiting.pop(0), free.pop()
            put(mutant.code, lane / mutant.file)
            running[begin(lane, tests_of(mutant.file))] = mutant, lane
            continue
        pid, status = os.wait()
        mutant, lane = running.pop(pid)
        put(mutant.before, lane / mutant.file)
        free.append(lane)
        if not status:
            print(f"survived {mutant.file}:{mutant.line} {change(mutant)}", flush=True)
        yield mutant, bool(status)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation")
    parser.add_argument("files", nargs="*", help="files of checks or tally; all of both where none is named")
    parser.add_argument("--sample", type=int, default=12, help="mutants of them all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lanes", type=int, default=2)
    asked = parser.parse_args()
    for name in LOADED:
        import_module(name)
    files = asked.files or sorted(
        str(path.relative_to(ROOT))
        for room in ROOMS
        for path in (ROOT / room).rglob("*.py")
        if path.name != "__init__.py"
    )
    drawn = list(islice(mutants(files, random.Random(asked.seed)), asked.sample))
    with tempfile.TemporaryDirectory() as folder:
        lanes = [Path(folder) / str(number) for number in range(asked.lanes)]
        for lane in lanes:
            shutil.copytree(ROOT, lane, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__"))
        tests = sorted({each for mutant in drawn for each in tests_of(mutant.file)[0]})
        if os.waitpid(begin(lanes[0], [tests]), 0)[1]:
            sys.exit("Tests fail where nothing is changed.")
        results = list(tried(drawn, lanes))
    dead_of: dict[str, list[bool]] = {}
    for mutant, dead in results:
        dead_of.setdefault(mutant.file, []).append(dead)
    for file, several in dead_of.items():
        print(f"{sum(several):3} of {len(several):3} killed  {file}")
    total = [dead for several in dead_of.values() for dead in several]
    print(
        f"{sum(total)} of {len(total)} mutants killed, {sum(total) / max(len(total), 1):.0%}; seed "
        f"{asked.seed}"
    )


if __name__ == "__main__":
    main()
