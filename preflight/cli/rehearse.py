"""`preflight rehearse`: the bundled captures, each with its verdict beside the one that it must get."""

import json
from dataclasses import dataclass
from pathlib import Path

import click

from preflight.cli.options import named
from preflight.verdict import Result


@dataclass(frozen=True)
class Scene:
    """One bundled capture as the manifest tells of it."""

    path: Path
    title: str
    shows: str
    verdict: str
    fail: frozenset[str]
    caution: frozenset[str]

    @property
    def name(self) -> str:
        return self.path.name.split(".")[0]

    def agrees(self, result: Result) -> bool:
        found = [ranked.finding for ranked in result.verdict.findings]
        return (
            result.verdict.verdict == self.verdict
            and {f.check for f in found if f.outcome == "fail"} == self.fail
            and {f.check for f in found if f.outcome == "caution"} == self.caution
        )


def _scenes(_ctx: click.Context, _param: click.Parameter, incomplete: str) -> list:
    return named(((scene.name, scene.title) for scene in bundled()), incomplete)


@click.command()
@click.argument("name", required=False, shell_complete=_scenes)
@click.option("--all", "in_full", is_flag=True, help="Show every capture's report in full.")
def command(name: str | None, in_full: bool) -> int:
    """Play the bundled captures and show the verdict on each. No network and no root needed.

    With NAME, show that one in full.
    """
    from preflight.report.page import STYLES, Page, console
    from preflight.report.terminal import show
    from preflight.study import study
    from preflight.verdict import brief, judged

    scenes = bundled()
    if name is not None:
        scenes = [scene for scene in scenes if name in (scene.name, scene.path.name)]
        if not scenes:
            known = ", ".join(scene.name for scene in bundled())
            raise click.UsageError(f"there is no bundled capture '{name}'. There are: {known}.")
    screen = console()
    page = Page(screen)
    surprises = 0
    for scene in scenes:
        result = judged(study(str(scene.path)))
        page.line(scene.title, lead=f"{scene.name}: ", lead_style="bold")
        page.line(scene.shows, indent=2)
        if in_full or name:
            page.gap()
            show(result, screen)
        else:
            page.line(brief(result), lead="-> ", indent=2, style=STYLES[result.verdict.verdict])
        if not scene.agrees(result):
            surprises += 1
            page.line(f"Not as expected: {_expected(scene)}.", indent=2, style="bold red")
        page.gap()
    agreed = len(scenes) - surprises
    page.line(f"{agreed} of {len(scenes)} captures got the verdict they should.", style="bold")
    if surprises:
        page.line(
            "This installation judges wrongly: do not rely on it. Install it anew, then rehearse again."
        )
    return 1 if surprises else 0


def bundled() -> list[Scene]:
    """The captures that come with the package."""
    from preflight.bundled import folder as folder_of

    folder = folder_of("captures")
    if folder is None or not (folder / "manifest.json").is_file():
        raise click.ClickException("the bundled captures are missing. Install preflight again.")
    return [
        Scene(
            folder / entry["file"],
            entry["title"],
            entry["shows"],
            entry["expected_verdict"],
            frozenset(entry["expected_fail"]),
            frozenset(entry["expected_caution"]),
        )
        for entry in json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    ]


def _expected(scene: Scene) -> str:
    named = [f"fail {check}" for check in sorted(scene.fail)] + [
        f"caution {c}" for c in sorted(scene.caution)
    ]
    return f"it should be {scene.verdict}" + (f" ({', '.join(named)})" if named else "")
