"""The rows of one judged capture, and its findings back again, to be ordered anew beside others."""

import json
import time
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import cast

from preflight import __version__
from preflight.archive.columns import Row, Rows
from preflight.archive.marks import marks
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.say import what
from preflight.checks.see.maker import maker
from preflight.checks.see.streams import heard_streams
from preflight.checks.step import When, steps
from preflight.facts import Facts
from preflight.report.html.devices import devices
from preflight.report.result import moment
from preflight.text import to_json
from preflight.verdict import Verdict

MOST_FLOWS = 1000  # those with the most frames
MOST_STREAMS = 1000


def of_facts(capture: str, name: str, size: int, limit_s: float, facts: Facts) -> Rows:
    """All rows of a capture but its findings, which `with_findings` adds, and the verdict with them."""
    source, tally = facts.source, facts.tally
    assert source is not None and tally is not None
    first = moment(source.first_ns)
    row = _blank(capture, name, size, limit_s) | {
        # The archive keeps moments in UTC without saying so.
        "first_frame_at": datetime.fromisoformat(first).replace(tzinfo=None) if first else None,
        "duration_s": source.duration_s,
        "frames": source.frames,
        "vantage": facts.vantage,
        "link_types": list(source.link_types),
        "dropped": source.dropped,
        "cut": source.cut,
        "malformed": source.malformed,
        "ended_early": source.ended_early,
        "more_flows": max(len(tally.flows) - MOST_FLOWS, 0),
    }
    return {
        "captures": [row],
        "devices": [
            {
                "hardware": device.hardware,
                "maker": device.maker,
                "own": device.own,
                "names": list(device.names),
                "addresses": list(device.addresses),
                "frames": device.frames,
                "first_s": device.first_s,
                "last_s": device.last_s,
                "capture": capture,
            }
            for device in devices(facts)
        ],
        "streams": [
            {
                "source": flow.source,
                "destination": flow.destination_ip or flow.destination,
                "port": flow.destination_port,
                "lost": stream.lost,
                "packet_time_s": stream.packet_time_s,
                "capture": capture,
            }
            | {
                column: getattr(stream, column)
                for column in (
                    "ssrc", "payload_type", "packets", "expected", "late", "duplicates", "clock_hz", "media_bytes",
                    "longest_wait_s", "delay_spread_s", "first_s", "last_s",
                )
            }
            for stream, flow in heard_streams(facts)[:MOST_STREAMS]
        ],
        "flows": [
            {"what": what(flow), "is_stream": flow.stream, "capture": capture}
            | {
                column: getattr(flow, column)
                for column in (
                    "source", "destination", "source_ip", "destination_ip", "source_port", "destination_port",
                    "ethertype", "vlan", "protocol", "dscp", "pcp", "frames", "bytes", "first_s", "last_s",
                )
            }
            for flow in tally.flows[:MOST_FLOWS]
        ],
    }  # fmt: skip


def unreadable(capture: str, name: str, size: int, limit_s: float, why: str, too_slow: bool = False) -> Rows:
    return {
        "captures": [_blank(capture, name, size, limit_s) | {"unreadable": why, "too_slow": too_slow}],
    }


def with_findings(rows: Rows, verdict: Verdict) -> Rows:
    (row,) = rows["captures"]
    found = [
        {
            "capture": row["capture"],
            "check": (finding := ranked.finding).check,
            "outcome": finding.outcome.value,
            "fix_first": ranked.fix_first,
            "explained_by": list(ranked.explained_by),
            "headline": finding.headline,
            "undated": finding.undated,
            "evidence": to_json([vars(seen) for seen in finding.evidence], None),
            "measured": to_json(finding.measured, None),
            "limits": to_json(finding.limits, None),
            "fixes": [step.marked for step in finding.fixes],
            "cautions": list(finding.cautions),
            "culprits": list(finding.culprits),
            "makers": sorted({made for each in finding.culprits if (made := maker(each))}),
            "spans": to_json(finding.spans, None),
            "mark": marks().get(finding.check, ""),
        }
        for ranked in verdict.findings
    ]
    return {**rows, "captures": [row | {"verdict": verdict.verdict}], "findings": found}


def findings_of(rows: Iterable[Mapping[str, object]]) -> list[Finding]:
    """The findings that rows were made of."""
    return [
        Finding(
            check=str(row["check"]),
            outcome=Outcome(str(row["outcome"])),
            headline=str(row["headline"]),
            evidence=tuple(Evidence(**seen) for seen in json.loads(str(row["evidence"]))),
            measured=json.loads(str(row["measured"])),
            limits=json.loads(str(row["limits"])),
            fixes=steps(_texts(row["fixes"]), When.PLANNING),  # they say themselves when they may be done
            cautions=_texts(row["cautions"]),
            culprits=_texts(row["culprits"]),
            spans=tuple((start, end) for start, end in json.loads(str(row["spans"]))),
            undated=str(row["undated"]),
        )
        for row in rows
    ]


def _texts(value: object) -> tuple[str, ...]:
    return tuple(cast(Sequence[str], value))


def _blank(capture: str, name: str, size: int, limit_s: float) -> Row:
    return {
        "capture": capture,
        "judged_ns": time.time_ns(),
        "tool": __version__,
        "marks": to_json(marks(), None),
        "name": name,
        "bytes": size,
        "verdict": "unreadable",
        "unreadable": "",
        "too_slow": False,
        "limit_s": limit_s,
    }
