"""One result, and the JSON object that scripts read. Its shape is told in `record`, from which
docs/result.schema.json is made.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, Literal

from preflight import __version__
from preflight.checks.finding import Evidence
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.text import to_json
from preflight.verdict import Ranked, Result

if TYPE_CHECKING:
    from preflight.report.inventory import Device
    from preflight.report.record import (
        BudgetRecord,
        DeviceRecord,
        EvidenceRecord,
        FindingRecord,
        ResultRecord,
        SourceRecord,
    )
    from preflight.rig.budget import Budget

SCHEMA: Final = 1


def as_dict(result: Result) -> ResultRecord:
    record: ResultRecord = {
        "schema": SCHEMA,
        "tool": {"name": "preflight", "version": __version__},
        "verdict": result.verdict.verdict,
        "source": _source(result.facts),
        "findings": [_finding(ranked, result.facts.source) for ranked in result.verdict.findings],
    }
    if result.apart:
        record["apart"] = [
            {
                "adapter": each.adapter.shown,
                "frames": each.adapter.frames,
                "verdict": each.result.verdict.verdict,
                "findings": [_finding(r, each.result.facts.source) for r in each.result.verdict.findings],
            }
            for each in result.apart
        ]
    if result.facts.tally is not None:
        from preflight.report.inventory import devices_of

        record["devices"] = [_device(device) for device in devices_of(result)]
    if result.facts.budget is not None:
        record["budget"] = _budget(result.facts.budget)
    if result.facts.soak is not None:
        from preflight.report.soak import as_dict as soak_as_dict

        record["soak"] = soak_as_dict(result.facts.soak)
    if result.facts.between is not None:
        from preflight.report.between import as_dict as between_as_dict

        record["between"] = between_as_dict(result.facts.between)
    return record


def refused_json(name: str, why: str, indent: int | None = 2) -> str:
    """A capture that was not read, in the same shape."""
    record: ResultRecord = {
        "schema": SCHEMA,
        "tool": {"name": "preflight", "version": __version__},
        "verdict": "unreadable",
        "refused": why,
        "source": {
            "kind": "capture",
            "name": name,
            "frames": 0,
            "duration_s": 0.0,
            "vantage": "unknown",
            "adapter": None,
            "wire_refused": "",
        },
        "findings": [],
    }
    return to_json(record, indent)


def as_json(result: Result, indent: int | None = 2) -> str:
    """Without `indent`, one line: for JSON Lines."""
    return to_json(as_dict(result), indent)


def _source(facts: Facts) -> SourceRecord:
    source = facts.source
    common: SourceRecord = {
        "kind": _kind(facts),
        "name": name_of(facts),
        "frames": source.frames if source else facts.between.matched if facts.between else 0,
        "duration_s": source.duration_s if source else facts.between.common_s if facts.between else 0.0,
        "vantage": facts.vantage,
        "adapter": facts.adapter,
        "wire_refused": facts.wire_refused,
    }
    if source is None:
        return common
    told: SourceRecord = {
        **common,
        "captured_bytes": source.captured_bytes,
        "first_frame_at": moment(source.first_ns),
        "link_types": source.link_types,
        "link_mbps": facts.link_mbps,
        "link_assumed": facts.link_assumed,
        "dropped": source.dropped,
        "cut": source.cut,
        "malformed": source.malformed,
        "steps_back": source.steps_back,
        "ended_early": source.ended_early,
        "partial": source.partial,
    }
    if source.put_together > 1:
        told["put_together"] = source.put_together
    if source.pieces:
        told["pieces"] = [{"file": piece.name, "first_frame": piece.first} for piece in source.pieces]
    if source.interfaces:
        told["interfaces"] = [
            {
                "name": each.name,
                "description": each.description,
                "link_type": each.link,
                "filter": each.filter,
                "speed_mbps": each.speed_mbps,
                "frames": each.frames,
                "dropped": each.dropped,
            }
            for each in source.interfaces
        ]
    if source.comments:
        told["comments"] = [{"frame": said.frame, "text": said.text} for said in source.comments]
    if source.names:
        told["names"] = [{"address": address, "name": name} for address, name in source.names]
    return told


def _kind(facts: Facts) -> Literal["capture", "live", "host", "sheet", "between"]:
    if facts.source is not None:
        return facts.source.kind
    return "between" if facts.between is not None else "sheet" if facts.budget is not None else "host"


def moment(ns: int | None) -> str | None:
    """UTC as RFC 3339 writes it; None too where a capture gives a year that no calendar has."""
    try:
        return (
            None if ns is None else datetime.fromtimestamp(ns / 1e9, UTC).isoformat().replace("+00:00", "Z")
        )
    except (ValueError, OverflowError, OSError):
        return None


def name_of(facts: Facts) -> str:
    """What was judged."""
    if facts.soak is not None:
        return facts.soak.label
    if facts.source is not None:
        return facts.source.name
    if facts.between is not None:
        return f"{facts.between.a.name} and {facts.between.b.name}"
    if facts.budget is not None and facts.sheet is not None:
        return facts.sheet.name
    return facts.adapter or "this computer"


def _device(device: Device) -> DeviceRecord:
    return {
        "hardware": device.hardware,
        "name": device.name,
        "names": [{"name": told.name, "told_by": told.by} for told in device.told],
        "maker": device.maker,
        "this_computer": device.own,
        "state": device.state,
        "addresses": device.addresses,
        "more_addresses": device.more_addresses,
        "does": device.does,
        "attached": device.attached,
        "port": device.port,
        "planned_port": device.planned,
        "sends": [{"what": what, "frames": frames} for what, frames in device.sends],
        "frames": device.frames,
        "bytes": device.bytes,
        "first_s": device.first_s,
        "last_s": device.last_s,
    }


def _budget(budget: Budget) -> BudgetRecord:
    return {
        "links": [
            {
                "from": way.sender,
                "to": way.receiver,
                "speed_mbps": way.capacity_mbps,
                "length_m": way.cable.length_m,
                "mbps": round(way.bits_per_s / 1e6, 4),
                "share": round(way.share, 6),
                "sure_mbps": round(way.sure_bits_per_s / 1e6, 4),
                "taken_to_flood": way.assumed,
                "burst_us": round(way.burst_us, 3),
                "streams": way.streams,
            }
            for way in budget.ways
        ],
        "paths": [
            {
                "stream": path.stream,
                "receiver": path.receiver,
                "hops": path.hops,
                "hop_us": [round(each, 3) for each in path.hop_us],
                "delay_us": round(path.delay_us, 3),
                "worst_us": round(path.worst_us, 3),
            }
            for path in budget.paths
        ],
        "failures": [
            {
                "what": failure.what,
                "kind": failure.kind,
                "lost_devices": failure.lost_devices,
                "lost_streams": failure.lost_streams,
                "takes_over": failure.takes_over,
                "busiest_share": round(failure.busiest.share, 6) if failure.busiest else None,
            }
            for failure in budget.failures
        ],
    }


def _evidence(seen: Evidence, source: SourceFacts | None) -> EvidenceRecord:
    told: EvidenceRecord = {"text": seen.text, "frame": seen.frame, "time_s": seen.time_s}
    if source is not None and source.pieces and seen.frame is not None:
        told["file"], told["frame"] = source.placed(seen.frame)
    return told


def _finding(ranked: Ranked, source: SourceFacts | None) -> FindingRecord:
    finding = ranked.finding
    return {
        "check": finding.check,
        "outcome": finding.outcome.value,
        "headline": finding.headline,
        "fix_first": ranked.fix_first,
        "explained_by": ranked.explained_by,
        "evidence": [_evidence(seen, source) for seen in finding.evidence],
        "measured": finding.measured,
        "limits": finding.limits,
        "fixes": finding.fixes,
        "steps": [{"text": step, "when": step.when.value, "tell": step.when.tell} for step in finding.fixes],
        "cautions": finding.cautions,
        "culprits": finding.culprits,
    }
