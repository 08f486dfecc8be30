"""Whether the two captures themselves missed frames: then less can be said of the network."""

from preflight.checks.asks import Captures
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted
from preflight.checks.says import Limits, Measured, Says, caution, passed
from preflight.checks.see.paths import SHOWN, TAKE_AGAIN, ends, gap_evidence, judged_paths
from preflight.checks.step import now

QUIET = now("Capture on a computer with nothing else running, to a fast disk, with a snap length of 128.")

CHECK = Check(
    name="between-capture",
    subject="between",
    order=610,
    asks=Captures,
    verdict="apart",
    question="Are both captures whole?",
    looks_at=(
        "What the capturing systems say that they dropped, and frames that came out at the far end though "
        "the capture at the near one lacks them: they passed it. Between two networks the drop counts alone."
    ),
    why="What a capture missed looks like a loss on the way.",
    limits=(
        Limit("missed", 1, "frames that one capture must have missed", "common practice"),
        Limit("dropped", 1, "frames that a capturing system dropped", "common practice"),
    ),
    sources=("draft-ietf-opsawg-pcapng: interface statistics",),
    fixes=(QUIET, TAKE_AGAIN),
)


def judge(view: Captures, limits: Limits) -> Says:
    between = view.between
    both = (("A", between.a), ("B", between.b))
    paths = [] if between.pair else judged_paths(between)
    missed = sorted((p for p in paths if p.got.only >= limits["missed"]), key=lambda p: -p.got.only)
    yield Measured(
        {
            "missed": sum(path.got.only for path in paths),
            "dropped_a": between.a.source.dropped,
            "dropped_b": between.b.source.dropped,
            "cut_a": between.a.cut,
            "cut_b": between.b.cut,
        }
    )
    for near, far in (("A", "B"), ("B", "A")):
        lacking = [path for path in missed if ends(between, path)[0][0] == near]
        if lacking:
            or_lost = (
                f", or they were lost on their way to {near}."
                if any(path.both_ways for path in lacking)
                else "."
            )
            yield caution(
                f"{counted(sum(path.got.only for path in lacking), 'frame')} came out at {far}, and the "
                f"capture at {near} lacks them: it missed them{or_lost}",
                [e for path in lacking[:SHOWN] for e in gap_evidence(path, path.got, far, near)],
                spans=[(gap.at_s, gap.end_s) for path in lacking for gap in path.got.gaps],
            )
    for name, end in both:
        dropped = end.source.dropped or 0
        if dropped >= limits["dropped"]:
            yield caution(f"The capture of {name} dropped {counted(dropped, 'frame')} itself.")
        if end.source.ended_early:
            yield caution(
                f"The capture of {name} ends early: {end.source.ended_early}.", [Evidence(end.name)]
            )
    yield passed("Both captures are whole, as far as they tell.")
