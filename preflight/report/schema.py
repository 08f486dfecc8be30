"""Writes docs/result.schema.json and docs/checks.md from the checks: `python -m preflight.report.schema`."""

import json
from pathlib import Path

from preflight.checks import SUBJECTS, all_checks
from preflight.checks.finding import Outcome
from preflight.checks.rule import Check
from preflight.report.result import SCHEMA

DOCS = Path(__file__).parent.parent.parent / "docs"


def schema() -> str:
    """The JSON Schema (draft 2020-12) of one result."""
    text = {"type": "string"}
    texts = {"type": "array", "items": text}
    count = {"type": "integer", "minimum": 0}
    seconds = {"type": "number", "minimum": 0}
    flag = {"type": "boolean"}
    check = {"enum": [check.name for check, _ in all_checks()]}

    def maybe(kind: dict) -> dict:
        return {"anyOf": [kind, {"type": "null"}]}

    def record(properties: dict, required: list[str] | None = None) -> dict:
        return {
            "type": "object",
            "properties": properties,
            "required": list(properties) if required is None else required,
            "additionalProperties": False,
        }

    evidence = record(
        {
            "text": text,
            "frame": maybe({"type": "integer", "minimum": 1, "description": "counts from 1 in file order"}),
            "time_s": maybe({"type": "number", "description": "seconds from the first frame"}),
        }
    )
    finding = record(
        {
            "check": check,
            "outcome": {"enum": [outcome.value for outcome in Outcome]},
            "headline": text,
            "fix_first": maybe(
                {"type": "integer", "minimum": 1, "description": "place in the order of fixing; 1 is first"}
            ),
            "explained_by": {"type": "array", "items": check},
            "evidence": {"type": "array", "items": evidence},
            "measured": {"type": "object"},
            "limits": {"type": "object", "additionalProperties": maybe({"type": "number"})},
            "fixes": texts,
            "cautions": texts,
            "culprits": {**texts, "description": "hardware addresses or adapter names"},
        }
    )
    always = {
        "kind": {"enum": ["capture", "live", "host", "sheet"]},
        "name": text,
        "frames": count,
        "duration_s": seconds,
        "vantage": {"enum": ["access port", "mirror", "unknown"]},
        "adapter": maybe(text),
        "wire_refused": {**text, "description": "why the wire could not be judged; empty otherwise"},
    }
    heard = {
        "captured_bytes": count,
        "first_frame_at": maybe({**text, "description": "UTC, RFC 3339"}),
        "link_types": texts,
        "link_mbps": count,
        "link_assumed": flag,
        "dropped": maybe(count),
        "cut": count,
        "malformed": count,
        "steps_back": count,
        "ended_early": text,
        "partial": flag,
    }
    link = {
        "from": text,
        "to": text,
        "speed_mbps": count,
        "length_m": maybe(seconds),
        "mbps": seconds,
        "share": {**seconds, "description": "of the link, this way"},
        "burst_us": {**seconds, "description": "one packet of each stream at once"},
        "streams": texts,
    }
    path = {
        "stream": text,
        "receiver": text,
        "hops": texts,
        "hop_us": {"type": "array", "items": seconds, "description": "from each hop to the next"},
        "delay_us": seconds,
        "worst_us": seconds,
    }
    failure = {
        "what": text,
        "kind": {"enum": ["cable", "switch", "engine"]},
        "lost_devices": texts,
        "lost_streams": {"type": "array", "items": {**texts, "description": "stream and receiver"}},
        "takes_over": maybe(text),
        "busiest_share": maybe(seconds),
    }

    def many(properties: dict) -> dict:
        return {"type": "array", "items": record(properties)}

    budget = record({"links": many(link), "paths": many(path), "failures": many(failure)})
    at = maybe({**text, "description": "UTC, RFC 3339"})
    numbers = {"type": "object", "additionalProperties": count}
    figures = record(
        {
            "watched_s": seconds,
            "frames": count,
            "bytes": count,
            "dropped": count,
            "stream_packets_lost": count,
            "beats_missing": count,
            "broken": maybe({**count, "description": "frames, as the adapter counted them"}),
            "downs": {**count, "description": "how often the link went down"},
            "down_s": seconds,
            "changes": {**count, "description": "of speed or duplex"},
            "slowest_mbps": maybe(count),
            "fastest_mbps": maybe(count),
            "adapter_c": maybe({"type": "number"}),
            "computer_c": maybe({"type": "number"}),
            "rises": {**numbers, "description": "of the adapter's own counts"},
        }
    )
    soak = record(
        {
            "number": count,
            "item": text,
            "serial": text,
            "who": text,
            "adapter": text,
            "hardware": text,
            "computer": text,
            "state": {"enum": ["running", "done", "stopped", "interrupted"]},
            "planned_s": seconds,
            "begun": at,
            "until": at,
            "runs": many({"begun": at, "until": at, "watched_s": seconds}),
            "figures": figures,
            "by_hour": many({"hour": at, "figures": figures}),
            "happened": many({"at": at, "kind": text, "check": maybe(check), "text": text}),
        }
    )
    result = record(
        {
            "schema": {"const": SCHEMA},
            "tool": record({"name": {"const": "preflight"}, "version": text}),
            "verdict": {"enum": ["ready", "ready with cautions", "not ready", "unproven"]},
            "source": record(always | heard, required=list(always)),
            "findings": {"type": "array", "items": finding},
            "budget": {**budget, "description": "of `preflight budget` alone"},
            "soak": {**soak, "description": "of `preflight soak` alone"},
        },
        required=["schema", "tool", "verdict", "source", "findings"],
    )
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "preflight result",
        "description": "Made by `python -m preflight.report.schema`. `study` with several files writes one "
        "such object a line (JSON Lines).",
    }
    return json.dumps(head | result, indent=2) + "\n"


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
        lines += [
            f"| {limit.name} | {limit.value:g} {limit.unit} | {limit.source} |" for limit in check.limits
        ]
    if check.sources:
        lines += ["", "Sources:", "", *(f"- {source}" for source in check.sources)]
    if check.fixes:
        lines += ["", "To fix:", "", *(f"> {caution}\n" for caution in check.cautions)]
        lines += [f"{number}. {fix}" for number, fix in enumerate(check.fixes, 1)]
    if check.unproven:
        lines += ["", f"When it is unproven: {check.unproven}"]
    return lines


def main() -> None:
    DOCS.mkdir(exist_ok=True)
    (DOCS / "result.schema.json").write_text(schema(), encoding="utf-8")
    (DOCS / "checks.md").write_text(checks_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
