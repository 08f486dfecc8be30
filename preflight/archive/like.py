"""The cases most like one: what they share, and what it was in the end.

A case has signs: its troubles and which of them is the cause, who made what is to blame, the makers and
streams heard, where it was heard. One that has troubles is like those alone that have one of the same. Two
cases are as alike as the signs that both have weigh among the signs that either has (Jaccard's measure,
weighted). A sign weighs by its kind, and the more the rarer it is in the archive (inverse document
frequency): that two rigs both fail for a loop says more than that both have a maker's devices. No sign holds
an address or a name, so that an anonymised capture is as good as another: makers stay in it.

The weights are common practice at best: chosen so that causes lead, and tried on the bundled captures.
"""

from typing import Any

from preflight.archive.columns import Rows
from preflight.archive.library import Library

SIGNS = """
    select capture, "check" || ' is to be mended by itself (' || outcome || ')' as sign, 3.0 as weight
        from {findings} where outcome in ('fail', 'caution') and fix_first is not null
    union all select capture, "check" || ' (' || outcome || ')', 2.0 from {findings} where outcome in ('fail', 'caution')
    union all select distinct capture, "check" || ': caused by ' || made, 1.5
        from (select capture, "check", unnest(makers) as made from {findings} where outcome in ('fail', 'caution'))
    union all select distinct capture, 'devices of ' || maker, 0.5 from {devices} where maker not in ('', 'random address')
    union all select distinct capture, 'streams of ' || clock_hz || ' Hz in packets of '
        || round(packet_time_s * 1000, 3) || ' ms', 0.5
        from {streams} where clock_hz is not null and packet_time_s is not null
    union all select capture, 'heard from: ' || vantage, 0.25 from {captures} where vantage <> 'unknown'
"""
MOST_SIGNS = 4
CANDIDATES = 1000  # among which, where many are as like, those with a note and the newest come first
TROUBLES = 1.0  # signs of troubles weigh more than that, all others less


def like(library: Library, most: int, capture: str, rows: Rows | None = None) -> list[dict[str, Any]]:
    """The `most` likest of a capture in the archive beside itself, or of a file: then `rows` are those of its
    judging, and it may itself be one of them. Each has `likeness` (0 to 1), `shared` (signs, those that weigh
    most first), `notes`, and `advised`: the first step that the case's first finding gave."""
    asked = ("captures", "findings", "devices", "streams")
    mine = {table: f"(select * from {table} where capture = $capture)" for table in asked}
    if rows is not None:
        for table in asked:
            mine[table] = f"mine_{table}"
            library.lay(mine[table], table, rows.get(table, ()))
    of_all, of_mine = SIGNS.format(**{table: table for table in asked}), SIGNS.format(**mine)
    return library.ask(
        f"""
        with signs as materialized (select capture, hash(sign) as sign, weight::float as weight from ({of_all})),
        mine as materialized (select hash(sign) as sign, sign as told, any_value(weight) as weight from ({of_mine}) group by 1, 2),
        rarity as materialized (
            select sign, ln(1 + (select count(*) from captures) / count(*)) as rare from signs group by sign),
        own as materialized (
            select sign, told, weight, weight * coalesce(rare, ln(1 + (select count(*) from captures))) as weighs
            from mine left join rarity using (sign)),
        theirs as (select capture, sum(weight * rare) as weighs from signs join rarity using (sign) group by capture),
        both_ as (select capture, sum(own.weighs) as weighs, max(own.weight) as heaviest,
            list(told order by own.weighs desc, told) as shared from signs join own using (sign) group by capture),
        likest as (select capture, shared,
                least(both_.weighs / ((select sum(weighs) from own) + theirs.weighs - both_.weighs), 1.0) as likeness
            from both_ join theirs using (capture) where capture <> $capture
                and (heaviest > {TROUBLES} or coalesce((select max(weight) from own), 0) < {TROUBLES})
            order by likeness desc limit {CANDIDATES}),
        noted as (select capture, list(text order by at_ns) as notes from notes group by capture),
        advice as (select capture, fixes[1] as advised, headline from findings where fix_first = 1)
        select capture, likeness, shared[:{MOST_SIGNS}] as shared, coalesce(notes, []) as notes, advised, headline, name, verdict, first_frame_at
        from likest join captures using (capture) left join noted using (capture) left join advice using (capture)
        order by round(likeness, 3) desc, notes is null, first_frame_at desc nulls last, capture limit $most
        """,
        {"capture": capture if rows is None else "", "most": most},
    )
