"""The result as one HTML page that asks nothing of any network: style, script, plots and data are inside it.

Jinja2 writes the page with autoescape, and every text is cleaned once more on its way. Besides, the page
forbids its reader's browser all but its own style and its own scripts (Content Security Policy, by their
hashes): a name from the network that got past the escaping would still be no script. Without scripts all is
there but the plots.

Bars and marks are SVG made here, whose view box is a stretch of time: zooming sets it anew. uPlot draws the
rates.
"""

import base64
import hashlib
import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from preflight import __version__
from preflight.checks import all_checks
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Outcome
from preflight.checks.say import count_text
from preflight.checks.see.names import names_of
from preflight.checks.step import care
from preflight.facts import Facts
from preflight.report.daytime import Daytime
from preflight.report.html.devices import neighbours
from preflight.report.html.streams import MOST_LINES, lines
from preflight.report.html.timeline import Group, milliseconds, moments, peaks, plots, rows, seconds
from preflight.report.html.whom import MARKS, whom
from preflight.report.inventory import MOST_DEVICES, NO_WORD, devices_of, silent
from preflight.report.result import name_of
from preflight.text import LONGEST_TEXT, clean, plain
from preflight.verdict import Result, Verdict, brief

FOLDER = Path(__file__).parent
COMMAND = re.compile(r"`([^`]+)`")
WORDS = {
    "ready": "Everything that could be judged is in order.",
    "ready with cautions": "The network can carry the show. Look at what is listed here when there is time.",
    "not ready": "The network is not ready for the show. Mend number 1 first, then run the check again.",
    "unproven": "Nothing could be judged, so this is neither a yes nor a no.",
}
SOAK_WORDS = {
    "ready": "The item held for the whole soak. Everything that could be judged is in order.",
    "ready with cautions": "Nothing failed. Look at what is listed here before the item goes out.",
    "not ready": "The item is not fit for the show. Mend number 1 first, then soak it again.",
    "unproven": WORDS["unproven"],
}
COMPUTER_ONLY = "This is of the computer only: the network was not judged."
VANTAGES = {
    "access port": "Taken at one port of a switch: it shows broadcast, the multicast that reaches this "
    "port, and this port's own traffic. Other links, and unicast between other devices, are "
    "out of sight.",
    "mirror": "Taken at a mirror port: it also shows the traffic of the mirrored ports, but not that of "
    "others, nor frames beyond what the mirror port can carry.",
    "unknown": "The frames do not tell where they were taken. At a plain switch port, other links, and "
    "unicast between other devices, are out of sight.",
}


def as_html(result: Result) -> str:
    facts = result.facts
    found = [ranked.finding for ranked in result.verdict.findings]
    checks = {check.name: check for check, _ in all_checks()}
    to_fix = [r for r in result.verdict.findings if r.fix_first is not None]
    style, scripts = _files()
    streams, devices = lines(facts), devices_of(result)
    return render(
        "page.html",
        style,
        scripts,
        data=plain(plots(facts, result.verdict)),
        facts=facts,
        source=facts.source,
        name=heading(facts),
        verdict=result.verdict.verdict,
        in_words=in_words(result),
        soak=_soak(facts),
        between=_between(facts),
        daytime=Daytime(facts),
        vantage=VANTAGES[facts.vantage],
        to_fix=to_fix,
        follows=[r for r in result.verdict.findings if r.explained_by],
        unproven=[f for f in found if f.outcome == Outcome.UNPROVEN],
        passed=[f for f in found if f.outcome == Outcome.PASS],
        judged=[checks[f.check] for f in found],
        checks=checks,
        frame_text=facts.source.frame_text if facts.source else "frame {}".format,
        rows=_rows(result),
        peaks=peaks(facts),
        moments=moments(facts, result.verdict),
        milliseconds=milliseconds(facts, result.verdict),
        # What the marks of steps mean is said once.
        for_all=[each for each in care(s for r in to_fix for s in r.finding.fixes) if each != MUTE_FIRST],
        streams=streams[:MOST_LINES],
        more_streams=max(len(streams) - MOST_LINES, 0),
        called=names_of(facts).name,
        marks=MARKS,
        states={
            "heard": "",
            "listed": "",
            **{s: f" {MARKS[s]}" for s in ("stranger", "missing", "silent")},
        },
        whom=whom(facts, result.verdict),
        devices=devices,
        everything=max(sum(device.bytes for device in devices), 1),
        left_out=max(len(facts.tally.talkers) - MOST_DEVICES, 0) if facts.tally else 0,
        neighbours=neighbours(facts),
        rig=_rig(facts, result.verdict),
        apart=[(each.adapter, each.result, brief(each.result)) for each in result.apart],
    )


def _rows(result: Result) -> list[Group]:
    """The rows of the time line; where a capture is several files, frames are told by file and number."""
    source = result.facts.source
    groups = rows(result.facts, result.verdict)
    if source is None or not source.pieces:
        return groups

    def told(text: str) -> str:
        return re.sub(r"\bframe (\d+)", lambda found: source.frame_text(int(found[1])), text)

    return [
        replace(
            group,
            rows=tuple(
                replace(row, marks=tuple((at, told(text)) for at, text in row.marks)) for row in group.rows
            ),
        )
        for group in groups
    ]


def heading(facts: Facts) -> str:
    """What was judged; of a file its name alone: where a customer keeps it is nobody's business."""
    name = name_of(facts)
    is_file = facts.soak is None and facts.source is not None and facts.source.kind == "capture"
    return re.split(r"[/\\]", name.rstrip("/\\"))[-1] or name if is_file else name


def _rig(facts: Facts, verdict: Verdict) -> dict[str, object] | None:
    """The rig as its sheet has it: the picture, and what the picture says in words."""
    if facts.sheet is None:
        return None
    from preflight.report.faults import faults
    from preflight.rig import picture
    from preflight.rig.budget import plan

    budget = facts.budget or plan(facts.sheet)

    return {
        # Its words are escaped where it is drawn.
        "picture": Markup(picture.svg(facts.sheet, budget, faults(facts.sheet, budget, verdict))),
        "columns": list(picture.columns(facts.sheet)),
        "trunks": picture.between_switches(facts.sheet),
        "cable_text": picture.cable_text,
    }


def _soak(facts: Facts) -> dict[str, object] | None:
    if facts.soak is None:
        return None
    from preflight.report import soak

    return {
        "summary": soak.summary(facts.soak),
        "figures": soak.figures(facts.soak.figures),
        "hours": soak.hour_rows(facts.soak),
    }


def in_words(result: Result) -> str:
    """The verdict as a sentence."""
    if result.facts.wire_refused and result.verdict.verdict != "unproven":
        return COMPUTER_ONLY
    words = (SOAK_WORDS if result.facts.soak else WORDS)[result.verdict.verdict]
    return f"{words} {NO_WORD}" if result.verdict.verdict == "ready" and silent(result.facts) else words


def _between(facts: Facts) -> dict[str, object] | None:
    """Two captures held against each other: in a sentence, as rows over time, and as a table."""
    if facts.between is None:
        return None
    from preflight.report import between
    from preflight.report.html.between import groups, length_s

    names = names_of(facts)
    return {
        "summary": between.summary(facts.between),
        "groups": groups(facts.between, names.spelling()),
        "duration": length_s(facts.between),
        "table": between.rows(facts.between, names.spelling()),
    }


def render(
    template: str,
    style: Markup,
    scripts: Sequence[Markup] = (),
    jinja: Environment | None = None,
    **values: object,
) -> str:
    """A page that carries its style and scripts, and may run and fetch nothing else: they are named by their
    digests."""
    allowed = f"style-src {_hash(style)}"
    if scripts:
        allowed += f"; script-src {' '.join(map(_hash, scripts))}"
    return (
        (jinja or environment())
        .get_template(template)
        .render(
            version=__version__,
            policy=f"default-src 'none'; base-uri 'none'; form-action 'none'; {allowed}",
            style=style,
            scripts=scripts,
            **values,
        )
    )


def environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_cleaned,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.policies["json.dumps_kwargs"] = {"separators": (",", ":")}
    environment.filters |= {"count": count_text, "seconds": seconds, "commands": _commands}
    return environment


def _commands(text: str) -> Markup:
    """A text in which what is to be typed stands between backquotes, as a page shows it."""
    return Markup(COMMAND.sub(r"<code>\1</code>", str(escape(clean(text, LONGEST_TEXT)))))


def _cleaned(value: object) -> object:
    return clean(value, LONGEST_TEXT) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _files() -> tuple[Markup, tuple[Markup, ...]]:
    """The style, and the scripts in their order, as they stand in the page."""

    return (
        file_text("uplot/uPlot.min.css") + file_text("page.css") + file_text("whom.css"),
        (file_text("uplot/uPlot.iife.min.js"), file_text("page.js")),
    )


def file_text(name: str) -> Markup:
    return Markup((FOLDER / name).read_text(encoding="utf-8"))


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
