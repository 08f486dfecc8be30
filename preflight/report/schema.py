"""Writes docs/result.schema.json and docs/checks.md from the checks: `python -m preflight.report.schema`."""

import json
from pathlib import Path

from preflight.checks import SUBJECTS, all_checks
from preflight.checks.rule import Check
from preflight.checks.step import fitting

DOCS = Path(__file__).parent.parent.parent / "docs"


def schema() -> str:
    """The JSON Schema (draft 2020-12) of one result, from the types in `record`. What they leave open is
    closed here: no other keys, and no check but those that there are."""
    from pydantic import TypeAdapter

    from preflight.report.record import ResultRecord

    made = TypeAdapter(ResultRecord).json_schema()
    for record in (made, *made["$defs"].values()):
        record["additionalProperties"] = False
        del record["title"]
        for key, shape in record["properties"].items():
            shape.pop("title", None)
            if key in ("check", "explained_by"):
                _close(shape)
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "preflight result",
        "description": "Made by `python -m preflight.report.schema`. `study` with several files writes one "
        "such object a line (JSON Lines), those that were not read too.",
    }
    return json.dumps(head | made, indent=2) + "\n"


def _close(shape: dict) -> None:
    """Only names of checks where there is any text."""
    for one in (shape, shape.get("items", {}), *shape.get("anyOf", ())):
        if one.get("type") == "string":
            del one["type"]
            one["enum"] = [check.name for check, _ in all_checks()]


def checks_page() -> str:
    """The docs page of all checks, in Markdown."""
    lines = [
        "# The checks",
        "",
        "Made from the checks by `python -m preflight.report.schema`. `preflight why CHECK` says the same.",
        "",
        'Limits are defaults. Where no published source gives a number, it says "common practice".',
    ]
    for subject in SUBJECTS:
        named = [check for check, _ in all_checks() if check.subject == subject]
        if named:
            lines += ["", f"## The {subject}"]
        for check in named:
            lines += _section(check)
    return "\n".join(lines) + "\n"


def _section(check: Check) -> list[str]:
    lines = [
        "",
        f"### {check.name}",
        "",
        f"**{check.question}**",
        "",
        f"Looks at: {check.looks_at}",
        "",
        f"Why: {check.why}",
    ]
    if check.limits:
        lines += ["", "| limit | value | source |", "|---|---|---|"]
        lines += [f"| {limit.name} | {limit.shown} | {limit.source} |" for limit in check.limits]
    if check.sources:
        lines += ["", "Sources:", "", *(f"- {source}" for source in check.sources)]
    if check.fixes:
        lines += ["", "To fix:", "", *(f"> {caution}\n" for caution in check.cautions)]
        lines += [f"{number}. {fix.marked}" for number, fix in enumerate(fitting(check.steps, None), 1)]
    if check.unproven:
        lines += ["", f"When it is unproven: {check.unproven}"]
    return lines


def main() -> None:
    DOCS.mkdir(exist_ok=True)
    (DOCS / "result.schema.json").write_text(schema(), encoding="utf-8")
    (DOCS / "checks.md").write_text(checks_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
