"""A result kept for comparing: what the computer said, who was heard, and what the checks found, as JSON.

More than `--json` and less than the facts: what is worth comparing between two computers, or two nights. It
is read again by its types, so that a file that is something else is told and not guessed at.
"""

import io
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from preflight.checks.see.best_master import grandmaster
from preflight.facts import Facts, Vantage
from preflight.host.facts import HostFacts
from preflight.report.html.devices import devices
from preflight.report.result import moment
from preflight.text import to_json
from preflight.verdict import Result

LARGEST = 32 << 20
MOST = 1000  # devices, clocks, streams
IN_ZIP = "saved.json"  # what it is called in a zip of `preflight handover`


@dataclass(frozen=True)
class HeardDevice:
    hardware: str
    names: tuple[str, ...]
    frames: int
    own: bool


@dataclass(frozen=True)
class HeardClock:
    """A grandmaster that was announced in a domain, or a version 1 domain's master."""

    transport: str
    version: int
    domain: int
    grandmaster: str


@dataclass(frozen=True)
class HeardStream:
    source: str
    destination: str
    frames: int
    per_s: float


@dataclass(frozen=True)
class Heard:
    """`rates` are the most in one second, by measure."""

    seconds: float
    vantage: Vantage
    devices: tuple[HeardDevice, ...]
    clocks: tuple[HeardClock, ...]
    streams: tuple[HeardStream, ...]
    rates: dict[str, int]


@dataclass(frozen=True)
class SavedFinding:
    outcome: Literal["pass", "caution", "fail", "unproven"]
    headline: str


@dataclass(frozen=True)
class Saved:
    """`at` is when listening began, as RFC 3339 writes it; `adapter` the audio adapter's name in `computer`.
    Where `anonymised`, addresses and names are replacements."""

    saved: Literal[1]
    at: str | None
    verdict: str
    adapter: str | None
    computer: HostFacts | None
    heard: Heard | None
    findings: dict[str, SavedFinding]
    anonymised: bool = False  # also in a file that is older than this word


class NotSaved(Exception):
    """Not a result that `--save-result` wrote. Its text says why, in one line."""


def saved(result: Result, anonymised: bool = False) -> Saved:
    facts = result.facts
    return Saved(
        saved=1,
        at=moment(facts.source.first_ns) if facts.source else None,
        verdict=result.verdict.verdict,
        adapter=facts.adapter,
        computer=facts.host,
        heard=_heard(facts),
        findings={
            ranked.finding.check: SavedFinding(ranked.finding.outcome.value, ranked.finding.headline)
            for ranked in result.verdict.findings
        },
        anonymised=anonymised,
    )


def as_text(result: Result, anonymised: bool = False) -> str:
    return to_json(asdict(saved(result, anonymised))) + "\n"


def read(path: str) -> Saved:
    """The result that was saved at `path`, or that a zip of `preflight handover` holds. Raises NotSaved."""
    from pydantic import TypeAdapter, ValidationError

    try:
        with Path(path).open("rb") as file:
            text = file.read(LARGEST + 1)
    except (OSError, ValueError) as error:
        raise NotSaved(f"cannot be read: {getattr(error, 'strerror', None) or 'not a file name'}") from None
    if text[:4] == b"PK\3\4":
        text = _zipped(path)
    if len(text) > LARGEST:
        raise NotSaved("is too large for a saved result")
    try:
        return TypeAdapter(Saved).validate_json(text)
    except (ValidationError, RecursionError):
        raise NotSaved("is no result that --save-result wrote. --json writes another form") from None


def _zipped(path: str) -> bytes:
    """The one result in a zip."""
    from preflight.frames.archive import BROKEN, Member, opened, zip_members
    from preflight.frames.errors import CaptureError
    from preflight.frames.stream import BOMB_FLOOR, BOMB_RATIO

    try:
        members = [m for m in zip_members(path, path, BOMB_RATIO, BOMB_FLOOR) if isinstance(m, Member)]
        found = [member for member in members if member.name.rpartition("/")[2] == IN_ZIP]
        if len(found) > 1:
            names = ", ".join(member.name for member in found[:4])
            raise NotSaved(f"holds {len(found)} results: {names}. Unpack it, and name one of them")
        if not found:
            raise NotSaved("holds no saved result. Ask for a zip that `preflight handover` of today makes")
        with io.BufferedReader(opened(found[0])) as file:  # type: ignore[type-var]
            return file.read(LARGEST + 1)
    except (CaptureError, *BROKEN):
        raise NotSaved("is a damaged zip. Ask for it again") from None


def _heard(facts: Facts) -> Heard | None:
    if facts.tally is None or facts.source is None:
        return None
    clocks = {
        HeardClock(port.transport, port.version, port.domain, grandmaster(port))
        for port in facts.tally.clocks
        if port.announces
    }
    return Heard(
        seconds=facts.source.duration_s,
        vantage=facts.vantage,
        devices=tuple(
            HeardDevice(device.hardware, device.names, device.frames, device.own) for device in devices(facts)
        ),
        clocks=tuple(sorted(clocks, key=str))[:MOST],
        streams=tuple(
            HeardStream(
                flow.source,
                f"{flow.destination_ip}:{flow.destination_port}" if flow.destination_ip else flow.destination,
                flow.frames,
                flow.per_s,
            )
            for flow in facts.tally.flows
            if flow.stream
        )[:MOST],
        rates={name: peak.in_1s for name, peak in facts.tally.rates.peaks.items()},
    )
