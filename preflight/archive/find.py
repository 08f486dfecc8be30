"""Finding cases: by check, outcome, maker, device, time and words; and all that is known of one case."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from preflight.archive.library import Library

# A finding's place among those of its case: what is graver, and to be mended sooner, is said first.
GRAVITY = "list_position(['fail', 'caution', 'unproven', 'pass'], outcome) * 1000 + coalesce(fix_first, 999)"
TROUBLE = "outcome in ('fail', 'caution')"
# Where a word may stand, by table. What passed is left out: it names all that was looked for and is not
# there.
WORDED = {
    "captures": "concat_ws(' ', capture, name, verdict, unreadable, ended_early)",
    "places": "place",
    "findings": "case when outcome in ('fail', 'caution') then concat_ws(' ', \"check\", headline, "
    "evidence) else '' end",
    "devices": "concat_ws(' ', hardware, maker, array_to_string(names, ' '), array_to_string(addresses, ' "
    "'))",
    "streams": "concat_ws(' ', source, destination)",
    "notes": "concat_ws(' ', who, text)",
}


@dataclass(frozen=True)
class Wanted:
    """What a case must have; None and () where it does not matter. `outcome` may be "unreadable", too. Times
    are UTC."""

    check: str | None = None
    outcome: str | None = None
    maker: str | None = None
    device: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    words: tuple[str, ...] = ()


def find(library: Library, wanted: Wanted) -> list[dict[str, Any]]:
    """The cases, the newest first; each with the gravest finding of those that were asked for, and the last
    note."""
    asked: dict[str, object] = {}
    of_finding, of_case = _conditions(wanted, asked)
    only = wanted.check is not None or wanted.outcome not in (None, "unreadable")
    return library.ask(
        f"""
        with said as (
            select capture, arg_min({{'check': "check", 'outcome': outcome, 'headline': headline}}, {GRAVITY}) as top
            from findings where {of_finding or TROUBLE} group by capture
        ), noted as (select capture, arg_max(text, at_ns) as note from notes group by capture)
        select c.capture, c.first_frame_at, c.verdict, top."check" as "check", top.outcome as outcome,
            coalesce(top.headline, nullif(c.unreadable, ''), '') as headline, c.name, c.duration_s, c.frames, note
        from captures c {"" if only else "left"} join said using (capture) left join noted using (capture)
        where {" and ".join(of_case) or "true"}
        order by c.first_frame_at desc nulls last, c.name, c.capture
        """,
        asked,
    )


def _conditions(wanted: Wanted, asked: dict[str, object]) -> tuple[str, list[str]]:
    """What a finding and what a case must fulfil, in SQL; the values go into `asked`."""
    finding, case = [], []
    if wanted.check is not None:
        asked["check"] = wanted.check
        finding.append('"check" = $check')
    if wanted.outcome == "unreadable":
        case.append("c.unreadable <> ''")
    elif wanted.outcome is not None:
        asked["outcome"] = wanted.outcome
        finding.append("outcome = $outcome")
    elif wanted.check is not None:
        finding.append(TROUBLE)
    if wanted.maker is not None:
        asked["maker"] = wanted.maker.lower()
        case.append("c.capture in (select capture from devices where contains(lower(maker), $maker))")
    if wanted.device is not None:
        asked["device"] = wanted.device.lower()
        case.append(
            "c.capture in (select capture from devices where starts_with(hardware, $device) or "
            "contains(lower(array_to_string(names, ' ')), $device) or list_contains(addresses, $device))"
        )
    for name, sign in (("since", ">="), ("until", "<")):
        if (moment := getattr(wanted, name)) is not None:
            asked[name] = moment
            case.append(f"c.first_frame_at {sign} ${name}")
    for number, word in enumerate(wanted.words):
        asked[f"word{number}"] = word.lower()
        places = " union all ".join(
            f"select capture from {table} where contains(lower({text}), $word{number})"
            for table, text in WORDED.items()
        )
        case.append(f"c.capture in ({places})")
    return " and ".join(finding), case


def case(library: Library, capture: str) -> dict[str, Any]:
    """All that the archive has of one capture."""

    def rows(table: str, order: str) -> list[dict[str, Any]]:
        return library.ask(f"select * from {table} where capture = ? order by {order}", [capture])

    (about,) = rows("captures", "capture")
    findings = rows("findings", f'fix_first nulls last, len(explained_by) = 0, {GRAVITY}, "check"')
    return {
        "case": about,
        "places": [row["place"] for row in rows("places", "seen_ns desc")],
        "findings": [_unpacked(row) for row in findings],
        "devices": rows("devices", "frames desc"),
        "streams": rows("streams", "packets desc"),
        "flows": rows("flows", "frames desc"),
        "notes": rows("notes", "at_ns"),
    }


def _unpacked(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, **{name: json.loads(row[name]) for name in ("evidence", "measured", "limits", "spans")}}
