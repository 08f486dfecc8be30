"""From findings to a verdict: what is cause, what is symptom, and what to fix first.

A finding that another one explains is kept, but it gets no place in the order of fixing: mend the cause.
Two tables hold all that is known of this: which finding explains which, and which is mended first.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from preflight.checks.finding import Finding, Outcome

Word = Literal["ready", "ready with cautions", "not ready", "unproven"]


@dataclass(frozen=True)
class Ranked:
    """A finding with its place in the order of fixing (1 is first; None: nothing to fix by itself), and the
    checks that explain it."""

    finding: Finding
    fix_first: int | None
    explained_by: tuple[str, ...]


@dataclass(frozen=True)
class Verdict:
    """`findings` are in the order in which to read them: to fix, explained by those, unproven, passed."""

    verdict: Word
    findings: tuple[Ranked, ...]

    def exit_status(self, strict: bool = False) -> int:
        """0 ready, 1 not ready, 3 unproven; `strict` makes cautions and unproven 1."""
        if strict and self.verdict != "ready":
            return 1
        return {"ready": 0, "ready with cautions": 0, "not ready": 1, "unproven": 3}[self.verdict]


@dataclass(frozen=True)
class Cause:
    """`cause` explains `symptoms` where they share time (the cause covers most of every stretch of the symptom),
    a culprit, or where all the symptom's culprits are the cause's."""

    cause: str
    symptoms: tuple[str, ...]
    shared: Literal["time", "culprit", "all culprits"]


# What a full or stopped link does to everything that keeps time.
LATE = ("stream-health", "beat-health", "clock")

CAUSES = (
    # A loop floods every port, and moves each sender's address from port to port in the switches' tables.
    Cause(
        "loop",
        ("broadcast-storm", "multicast-storm", "link-load", "unicast-flood", "spanning-tree", *LATE),
        "time",
    ),
    Cause("broadcast-storm", ("link-load", *LATE), "time"),
    Cause("multicast-storm", ("link-load", *LATE), "time"),
    Cause("link-load", LATE, "time"),
    Cause("pause-frames", LATE, "time"),
    # A tree that is built anew holds frames back and forgets where everyone is.
    Cause("spanning-tree", ("unicast-flood", *LATE), "time"),
    # The capture lost frames, or stopped: what is missing in those seconds is missing in it, not in the network.
    Cause("capture-quality", ("beat-health",), "time"),
    # A wireless router brings its servers and the house behind it along.
    Cause("wifi-bridge", ("stray-dhcp", "stray-router", "house-network"), "culprit"),
    Cause("house-network", ("stray-dhcp", "stray-router"), "culprit"),
    # A wrong cable to the control network brings its router and its clients in.
    Cause("wifi-bridge", ("control-plan",), "culprit"),
    Cause("control-plan", ("strangers", "address-plan", "stray-dhcp", "stray-router"), "all culprits"),
    Cause("missing", ("stream-plan",), "culprit"),
    # A link that went down and up again breaks the frames that were on it.
    Cause("link-up", ("link-errors", "link-steady"), "culprit"),
    Cause("link-steady", ("link-errors",), "culprit"),
    Cause("link-steady", ("capture-quality", *LATE), "time"),
    Cause("duplex", ("link-errors",), "culprit"),
    # One subnet on two adapters, or a gateway on the wrong one, is told by both.
    Cause("addressing", ("control-network",), "culprit"),
    # This computer's address that is not as planned is heard, too.
    Cause("addressing", ("address-plan", "control-plan"), "all culprits"),
)

# Mended first to last: what is plugged wrong, then what is set wrong, then symptoms, then what is planned wrong.
# Common practice.
FIX_ORDER = (
    "link-up",
    "adapter-kind",
    "adapter-bus",
    "link-speed",
    "duplex",
    "link-steady",
    "link-errors",
    "neighbours",
    "loop",
    "wifi-bridge",
    "house-network",
    "shared-connection",
    "control-plan",
    "missing",
    "stray-dhcp",
    "stray-router",
    "control-network",
    "strangers",
    "address-clash",
    "addressing",
    "address-plan",
    "mtu",
    "spanning-tree",
    "vlan-tags",
    "multicast-control",
    "pause-frames",
    "broadcast-storm",
    "multicast-storm",
    "link-load",
    "unicast-flood",
    "frame-size",
    "clock",
    "clock-plan",
    "querier-plan",
    "priority",
    "stream-plan",
    "stream-health",
    "beat-health",
    "stream-names",
    "cable-length",
    "trunk-budget",
    "power-budget",
    "device-count",
    "delay-budget",
    "topology",
    "spare",
    "computer-power",
    "adapter-sleep",
    "flow-control",
    "computer-load",
    "temperature",
    "capture-quality",
    "soak-time",
)

# They judge the capture and the soak, not the network: where nothing else could be judged, nothing was.
ABOUT_THE_CAPTURE = {"capture-quality", "soak-time"}

# A symptom counts frames in a second, so its stretch begins and ends up to a second beside its cause. What the cause
# then leaves uncovered has another cause: a device that chatters for a minute is not mended with a loop of one
# second in it. Common practice.
BESIDE_S = 1.0
MOST = 0.75

_WEIGHT = {Outcome.FAIL: 0, Outcome.CAUTION: 1, Outcome.UNPROVEN: 2, Outcome.PASS: 3}


def decide(findings: Iterable[Finding]) -> Verdict:
    """The verdict on all findings of one command. Unproven only where not one of them could be judged."""
    findings = tuple(findings)
    causes = _causes([finding for finding in findings if _WEIGHT[finding.outcome] <= 1])
    ranked = []
    place = 0
    for finding in sorted(findings, key=_order):
        explained_by = causes.get(finding.check, ())
        fix_first = None
        if finding.check in causes and not explained_by:
            place += 1
            fix_first = place
        ranked.append(Ranked(finding, fix_first, explained_by))
    ranked.sort(key=lambda r: (r.fix_first is None, not r.explained_by))  # stable: the rest keeps its order
    return Verdict(_word(findings), tuple(ranked))


def _word(findings: tuple[Finding, ...]) -> Word:
    outcomes = {finding.outcome for finding in findings}
    if Outcome.FAIL in outcomes:
        return "not ready"
    if all(f.outcome == Outcome.UNPROVEN for f in findings if f.check not in ABOUT_THE_CAPTURE):
        return "unproven"
    return "ready with cautions" if Outcome.CAUTION in outcomes else "ready"


def _order(finding: Finding) -> tuple[int, int, str]:
    known = finding.check in FIX_ORDER
    return (
        _WEIGHT[finding.outcome],
        FIX_ORDER.index(finding.check) if known else len(FIX_ORDER),
        finding.check,
    )


def _causes(trouble: list[Finding]) -> dict[str, tuple[str, ...]]:
    """For each finding what explains it, at the root: a storm that a loop explains is not named beside the loop."""
    direct = {finding.check: _explained_by(finding, trouble) for finding in trouble}
    return {
        check: tuple(cause for cause in causes if not set(direct[cause]) & set(causes))
        for check, causes in direct.items()
    }


def _explained_by(finding: Finding, trouble: list[Finding]) -> tuple[str, ...]:
    """The causes of `finding`. A cause weighs at least as much: a caution does not explain a failure away."""
    return tuple(
        cause.check
        for cause in trouble
        for known in CAUSES
        if cause.check == known.cause
        and finding.check in known.symptoms
        and _WEIGHT[cause.outcome] <= _WEIGHT[finding.outcome]
        and _shared(known, cause, finding)
    )


def _shared(known: Cause, cause: Finding, symptom: Finding) -> bool:
    if known.shared == "time":
        return _cover_in_time(cause, symptom)
    theirs, mine = set(symptom.culprits), set(cause.culprits)
    return bool(theirs) and theirs <= mine if known.shared == "all culprits" else not theirs.isdisjoint(mine)


def _cover_in_time(cause: Finding, symptom: Finding) -> bool:
    """Whether the cause covers most of every stretch of the symptom."""
    widened = [(start - BESIDE_S, end + BESIDE_S) for start, end in cause.spans]
    return bool(symptom.spans) and all(
        _covered(stretch, widened) >= MOST * (stretch[1] - stretch[0]) for stretch in symptom.spans
    )


def _covered(stretch: tuple[float, float], spans: list[tuple[float, float]]) -> float:
    """Seconds of `stretch` that lie in any of `spans`; -1 where it touches none."""
    covered, until = -1.0, stretch[0]
    for start, end in sorted(spans):
        start, end = max(start, until), min(end, stretch[1])
        if start <= end:
            covered = max(covered, 0.0) + end - start
            until = end
    return covered
