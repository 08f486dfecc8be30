"""The drill: break a healthy rig in one way after another, and measure what the product finds.

`table` lists the faults and the healthy variants. A recording is written to a file and judged by the
product's own engine, the way `preflight study` judges it; a computer by the checks of the computer; a line
check is run as a user runs it. Counted are the fault found, the right culprit named, checks that fail without
a reason, and how much listening after the fault began was needed.
"""

import json
import os
import platform
import subprocess
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import reduce
from itertools import groupby
from pathlib import Path

from preflight.checks import judge_all
from preflight.facts import Facts
from preflight.frames.compile import compiled
from preflight.study import study
from tests.lab import record
from tests.lab.live import OF_THE_LAB
from tests.lab.record import Capture
from tests.lab.rig import TOP
from tests.lab.table import BEGINS_S, FAULTS, HEALTHY, Fault, Material, Variant

LISTENED_S = (0.1, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0)
FORMATS = ("pcap", "pcapng", "pcap.gz", "pcap.zst")


@dataclass(frozen=True)
class Said:
    """What one check said, as far as the drill judges it."""

    outcome: str
    headline: str
    culprits: frozenset[str]


@dataclass
class Score:
    name: str
    check: str
    variants: int = 0
    found: int = 0
    culprit_right: int = 0
    wrong_fails: int = 0
    listened_s: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def join(self, other: "Score") -> "Score":
        """The two together, of one row."""
        parts = {
            key: value + getattr(other, key)
            for key, value in vars(self).items()
            if key not in ("name", "check")
        }
        return Score(self.name, self.check, **parts)

    @property
    def perfect(self) -> bool:
        return self.found == self.culprit_right == self.variants and not self.wrong_fails


class Drill:
    """Tries variants, each in the next of the file formats from the `first` on. Files go to `folder`, and
    away again."""

    def __init__(self, folder: Path, first: int = 0) -> None:
        self._folder = folder
        self._number = first
        compiled()  # on a new machine it takes seconds, in which a line check would not listen yet

    def fault(self, fault: Fault, variants: Iterable[Variant]) -> Score:
        score = Score(fault.name, fault.check)
        for variant in variants:
            self._try(fault, variant, score)
        return score

    def healthy(self, variants: Iterable[Variant]) -> Score:
        score = Score("healthy", "")
        for variant in variants:
            material = variant.make()
            said = self._judge(material)
            score.variants += 1
            _count_wrong(score, variant, said, ())
            if score.wrong_fails:
                _keep(score, variant, material)
            score.notes += [
                f"{variant.label}: {name} cautions: {each.headline}"
                for name, each in said.items()
                if each.outcome == "caution"
            ]
        return score

    def _try(self, fault: Fault, variant: Variant, score: Score) -> None:
        material = variant.make()
        said = self._judge(material)
        score.variants += 1
        _count_wrong(score, variant, said, (fault.check, *fault.symptoms))
        found = said[fault.check]
        if found.outcome != fault.outcome:
            score.notes.append(f"{variant.label}: {fault.check} said {found.outcome}: {found.headline}")
            _keep(score, variant, material)
            return
        score.found += 1
        blamed = variant.must | variant.may
        right = variant.must <= found.culprits <= blamed and bool(found.culprits) == bool(blamed)
        score.culprit_right += right
        if not right:
            score.notes.append(f"{variant.label}: named {sorted(found.culprits)}, not {sorted(blamed)}")
        if fault.timed and isinstance(material, Capture):
            score.listened_s.append(self._listening_needed(fault, material))

    def _listening_needed(self, fault: Fault, capture: Capture) -> float:
        """The shortest spell after the fault began whose frames are enough to find it."""
        begin = capture.frames[0].ns + int(BEGINS_S * 1e9)
        for spell in LISTENED_S:
            kept = [frame for frame in capture.frames if frame.ns < begin + spell * 1e9]
            if self._judge(replace(capture, frames=kept))[fault.check].outcome == fault.outcome:
                return spell
        return (capture.frames[-1].ns - begin) / 1e9

    def _judge(self, material: Material) -> dict[str, Said]:
        if isinstance(material, Mapping):
            return {
                each["check"]: Said(each["outcome"], each["headline"], frozenset(each["culprits"]))
                for each in material["findings"]
                if each["check"] not in OF_THE_LAB
            }
        facts = material if isinstance(material, Facts) else self._studied(material)
        return {
            each.check: Said(each.outcome, each.headline, frozenset(each.culprits))
            for each in judge_all(facts)
        }

    def _studied(self, capture: Capture) -> Facts:
        # Only pcapng can say what was dropped.
        ending = "pcapng" if capture.dropped else FORMATS[self._number % len(FORMATS)]
        self._number += 1
        path = self._folder / f"{self._number}.{ending}"
        record.write(path, capture)
        facts = study(str(path))
        path.unlink()
        return facts


def _keep(score: Score, variant: Variant, material: Material) -> None:
    """Keep a recording that fell short, to be looked at."""
    if isinstance(material, Capture):
        folder = Path(tempfile.gettempdir()) / "drill-fell-short"
        folder.mkdir(exist_ok=True)
        record.write(folder / f"{score.name}, {variant.label}.pcapng".replace("/", " per "), material)


def _count_wrong(score: Score, variant: Variant, said: dict[str, Said], right: tuple[str, ...]) -> None:
    wrong = sorted(name for name, each in said.items() if each.outcome == "fail" and name not in right)
    score.wrong_fails += len(wrong)
    score.notes += [
        f"{variant.label}: {name} failed without a reason: {said[name].headline}" for name in wrong
    ]


def chosen(variants: tuple[Variant, ...], short: bool) -> Iterator[Variant]:
    return (variant for variant in variants if variant.short or not short)


HEALTHY_RIGS = -1


def run(*, short: bool, lanes: int) -> int:
    """Run the drill, `lanes` rigs at a time, print its table, and write the long form to docs/. 1 where a
    fault was missed or a check cried wolf."""
    rows = {number: fault.variants for number, fault in enumerate(FAULTS)} | {HEALTHY_RIGS: HEALTHY}
    tries = [
        (row, at)
        for row, variants in rows.items()
        for at, each in enumerate(variants)
        if each.short or not short
    ]
    scores: dict[int, Score] = {}
    with ProcessPoolExecutor(lanes) as pool:
        parts = pool.map(_tried, tries)
        for row, several in groupby(tries, key=lambda each: each[0]):
            scores[row] = reduce(Score.join, [next(parts) for _ in several])
            _say(scores[row])
    healthy = scores.pop(HEALTHY_RIGS)
    faults = list(scores.values())
    print(f"{len(faults)} faults, {sum(score.perfect for score in faults)} without a flaw")
    if not short:
        _write(faults, healthy)
    return int(
        any(score.wrong_fails for score in (healthy, *faults))
        or any(score.found < score.variants for score in faults)
    )


def _tried(place: tuple[int, int]) -> Score:
    """The score of one variant of a row of the table. Where the lab itself fails it is tried once more, and
    that is said."""
    try:
        return _try(*place)
    except RuntimeError as error:
        print(f"once more: {error}", flush=True)
        return _try(*place)


def _try(row: int, at: int) -> Score:
    with tempfile.TemporaryDirectory(prefix="drill") as folder:
        drill = Drill(Path(folder), at)
        if row == HEALTHY_RIGS:
            return drill.healthy([HEALTHY[at]])
        return drill.fault(FAULTS[row], [FAULTS[row].variants[at]])


def _say(score: Score) -> None:
    spells = f", {max(score.listened_s):g} s of it" if score.listened_s else ""
    found = f"found {score.found}, culprit right {score.culprit_right}{spells}, " if score.check else ""
    print(f"{score.name}: {score.variants} variants, {found}wrong fails {score.wrong_fails}", flush=True)
    for note in score.notes:
        print(f"    {note}", flush=True)


def _write(scores: list[Score], healthy: Score) -> None:
    now = datetime.now(UTC)
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=TOP, capture_output=True, text=True, check=True
    ).stdout.strip()
    machine = (
        f"{platform.system()} {platform.release()}, {platform.machine()}, {os.cpu_count()} CPUs, "
        f"Python {platform.python_version()}"
    )
    keys = ("name", "check", "variants", "found", "culprit_right", "wrong_fails")
    table = {
        "date": now.date().isoformat(),
        "commit": commit,
        "machine": machine,
        "faults": [{key: getattr(score, key) for key in keys} for score in scores],
        "healthy": {"variants": healthy.variants, "wrong_fails": healthy.wrong_fails},
        "not_yet": [],  # every check has its rows
    }
    docs = TOP / "docs"
    (docs / "drill.json").write_text(json.dumps(table, indent=2) + "\n")
    tried = sum(score.variants for score in scores)
    missed = [score.name for score in scores if score.found < score.variants]
    lines = [
        "# The drill",
        "",
        f"Made by `python -m tests.lab drill` on {table['date']} at commit {commit} ({machine}): real "
        "components in network namespaces, broken in one way at a time, recorded, and judged as "
        "`preflight study` does; or listened to by `preflight linecheck`; or a computer read from "
        "recorded system files.",
        "",
        f"{len(scores)} faults in {tried} variants: {sum(score.found for score in scores)} found, "
        f"{sum(score.culprit_right for score in scores)} with the right culprit, "
        f"{sum(score.wrong_fails for score in scores)} wrong fails. Healthy rigs and computers: "
        f"{healthy.variants} variants, {healthy.wrong_fails} wrong fails. Faults missed in any variant: "
        f"{', '.join(missed) or 'none'}.",
        "",
        "| fault | check | variants | found | culprit right | wrong fails | listening needed |",
        "|---|---|---|---|---|---|---|",
        *(
            f"| {s.name} | {s.check} | {s.variants} | {s.found} | {s.culprit_right} | {s.wrong_fails} | "
            f"{f'{max(s.listened_s):g} s' if s.listened_s else '-'} |"
            for s in scores
        ),
        "",
        "Found: the check said what it has to say, which is mostly a fail; a caution for what works so "
        "far (a clock handed over, a spare cable that took over, two queriers, wrong "
        "marks, runts, tags where the port may be a trunk, a doubtful capture, an MTU that is too large, "
        "a leased address, subnets that overlap, a router by its outer port); a pass for a request that "
        "nobody answers; unproven where nothing was heard, where another network may have answered, and "
        "where six seconds without a querier prove nothing. Culprit right: everyone named who did it, and "
        "nobody else; for a cable or a capture, nobody. Listening needed: the longest that any recorded "
        "variant took to be found, from the beginning of the fault. The lab's adapters are made by "
        f"software, on a busy machine: {', '.join(sorted(OF_THE_LAB))} do not count where `linecheck` runs "
        "in the lab.",
        "",
    ]
    notes = [f"- {score.name}, {note}" for score in (*scores, healthy) for note in score.notes]
    lines += ["## What fell short", "", *(notes or ["Nothing."]), ""]
    (docs / "drill.md").write_text("\n".join(lines))
