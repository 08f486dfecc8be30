"""The adapters of one capture, each judged by itself: two networks captured at once are not one.

Read once more for each adapter, its frames alone. What a finding says of a frame is told by the number in the
file.
"""

from collections.abc import Sequence
from dataclasses import replace

from preflight.frames.capture import CaptureFile
from preflight.frames.facts import Interface, SourceFacts
from preflight.frames.links import PKTAP, READABLE, link_name
from preflight.frames.stream import Place
from preflight.study import read
from preflight.verdict import Apart, Ranked, Result, judged

MOST_APART = 8  # adapters; each costs a reading
LINKS = {link_name(link) for link in (*READABLE, PKTAP)}


def with_apart(places: Sequence[Place], result: Result) -> Result:
    """`result`, of what lies at `places`, and that of each of its adapters where it has several. Raises
    CaptureError."""
    source = result.facts.source
    if source is None or source.partial or "-" in places:
        return result
    heard = [(at, each) for at, each in enumerate(source.interfaces) if each.frames and each.link in LINKS]
    if not 2 <= len(heard) <= MOST_APART:
        return result
    return replace(result, apart=tuple(_one(places, result, at, each) for at, each in heard))


def _one(places: Sequence[Place], whole: Result, at: int, adapter: Interface) -> Apart:
    capture = CaptureFile(places, adapter=at)
    facts, _ = read(capture)
    assert facts.source is not None and whole.facts.source is not None
    source = _source(facts.source, whole.facts.source, adapter)
    found = judged(replace(facts, source=source, sheet=whole.facts.sheet))
    ranked = tuple(_renumbered(each, capture) for each in found.verdict.findings)
    return Apart(adapter, replace(found, verdict=replace(found.verdict, findings=ranked)))


def _source(own: SourceFacts, whole: SourceFacts, adapter: Interface) -> SourceFacts:
    """What is known of the capture, as far as it is of this adapter."""
    name = f"{whole.name}, {adapter.shown}"
    return replace(
        own,
        name=name,
        dropped=adapter.dropped,
        pieces=whole.pieces,
        interfaces=(adapter,),
        comments=(),
        names=(),
    )


def _renumbered(ranked: Ranked, capture: CaptureFile) -> Ranked:
    seen = tuple(
        each if each.frame is None else replace(each, frame=capture.number_in_file(each.frame))
        for each in ranked.finding.evidence
    )
    return replace(ranked, finding=replace(ranked.finding, evidence=seen))
