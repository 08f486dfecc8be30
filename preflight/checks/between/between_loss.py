"""Whether what passed one place came out at the other.

Strategy: a frame counts as lost where it lies between two of its flow that came through. What the capture at
the far end admits to have dropped may be what is missing. What the near end lacks is no loss on the way: see
between-capture.
"""

from collections.abc import Iterator

from preflight.between.facts import Gap, Path
from preflight.checks.asks import Places
from preflight.checks.cautions import CABLE_ROUTE, FIBRE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, counted, first_upper
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, trouble, unproven
from preflight.checks.see.paths import (
    CABLE_BETWEEN,
    HALVE,
    PORT_COUNTERS,
    SHOWN,
    SWAP,
    TAKE_AGAIN,
    called,
    ends,
    gap_evidence,
    is_stream,
    judged_paths,
    titles,
    until_s,
)
from preflight.checks.step import now

TOGETHER_S = 0.02  # losses so close have one cause. Common practice.
FEW_LOST = 3  # frames; a share of fewer tells nothing. Common practice.
LEFT = now(
    "A stream that stopped only at one end: see whether its receivers there were switched off, or left it."
)

CHECK = Check(
    name="between-loss",
    subject="between",
    order=362,
    asks=Places,
    question="Does everything that passes one place come out at the other?",
    looks_at=(
        "For each flow that both captures hold: frames that the end nearer to the sender has, and the other "
        "lacks, between two that came through. Frames before, and after, the two captures overlap are not "
        "counted, nor what a switch holds back or floods."
    ),
    why="A lost frame is a click or a gap in the audio, and here it is known between which two places it "
    "was lost.",
    limits=(
        Limit("fail_lost", 10, "frames lost of one flow", "common practice: each can be heard"),
        Limit("fail_share", 0.001, f"share of a flow lost, from {FEW_LOST} frames on", "common practice"),
        Limit("caution_lost", 1, "frames lost of one flow", "common practice"),
        Limit("ended_s", 1, "seconds before the end after which a stream has stopped", "common practice"),
    ),
    sources=("RFC 7680: loss on one way", "RFC 4541: what snooping switches hold back"),
    fixes=(CABLE_BETWEEN, PORT_COUNTERS, SWAP, HALVE, TAKE_AGAIN),
    cautions=(MUTE_FIRST, CABLE_ROUTE, FIBRE),
    unproven="Capture where the same streams pass both places.",
)


def judge(view: Places, limits: Limits) -> Says:
    between = view.between
    paths = judged_paths(between)
    if not paths:
        yield unproven("No flow passes both places.")
        return
    lossy = sorted((p for p in paths if p.sent.only >= limits["caution_lost"]), key=lambda p: -_share(p))
    yield Measured(
        {
            "flows": len(paths),
            "lost": sum(path.sent.only for path in paths),
            "lost_of_streams": sum(path.sent.only for path in paths if path.rtp),
            "longest_loss": max(path.sent.longest for path in paths),
            "only_at_a": sum(lone.frames for lone in between.a.lone),
            "only_at_b": sum(lone.frames for lone in between.b.lone),
        }
    )
    for far in ("A", "B"):
        toward = [path for path in lossy if ends(between, path)[1][0] == far]
        if toward:
            yield _lost(view, toward, limits)
    yield from _stopped(view, paths, limits)
    frames = sum(path.matched for path in paths)
    yield passed(
        f"Nothing was lost on the way: {counted(frames, 'frame')} of {counted(len(paths), 'flow')} came "
        "through."
    )


def _lost(view: Places, lossy: list[Path], limits: Limits) -> Saw:
    """Frames that did not come to one of the ends."""
    between = view.between
    (near, _), (far, end) = ends(between, lossy[0])
    lost = sum(path.sent.only for path in lossy)
    dropped = end.source.dropped or 0
    way = f"on the way from {near} to {far}"
    evidence = []
    if any(path.both_ways for path in lossy):
        evidence.append(
            Evidence(
                "Nothing in the captures tells which of the two is nearer to the sender: A is taken for it. "
                "Where it is B, the capture at B missed them."
            )
        )
    evidence += [e for path in lossy[:SHOWN] for e in gap_evidence(path, path.sent, near, far)]
    if len(lossy) > SHOWN:
        evidence.append(Evidence(f"and {counted(len(lossy) - SHOWN, 'more flow')}"))
    quiet = (end.quiet_at_s - TOGETHER_S, end.quiet_at_s + end.quiet_s + TOGETHER_S)
    together = all(path.sent.gap_count == 1 and _within(path.sent.gaps[0], quiet) for path in lossy)
    head = f"{counted(lost, 'frame')} of {titles(lossy, 'flow', '' if together else 'worst')} lost {way}"
    spans = [(gap.at_s, gap.end_s) for path in lossy for gap in path.sent.gaps]
    if dropped >= lost:
        return unproven(
            f"{head}, or by the capture at {far}, which dropped {counted(dropped, 'frame')} itself.",
            evidence,
            fixes=(TAKE_AGAIN,),
        )
    if together:
        return caution(
            f"{head}; nothing at all came to {far} then for {1000 * end.quiet_s:.0f} ms: the capture there "
            "paused, or its link was down.",
            evidence,
            spans=spans,
        )
    if dropped:
        head = f"At least {count_text(lost - dropped)} of {head} (the capture at {far} dropped {count_text(dropped)} itself)"
    failed = any(
        path.sent.only - dropped >= limits["fail_lost"]
        or (path.sent.only - dropped >= FEW_LOST and _share(path) >= limits["fail_share"])
        for path in lossy
    )
    return trouble(
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"{head}.",
        evidence,
        spans=spans,
        culprits=sorted({path.source for path in lossy if path.source}),
    )


def _within(gap: Gap, span: tuple[float, float]) -> bool:
    return span[0] <= gap.at_s and gap.end_s <= span[1]


def _stopped(view: Places, paths: list[Path], limits: Limits) -> Iterator[Saw]:
    """Streams that go on at the near end and not at the far one, while both captures run on."""
    between = view.between
    until = until_s(between)
    streams = [path for path in paths if is_stream(path)]
    stopped = [
        path
        for path in streams
        if path.sent.ending.frames >= FEW_LOST
        and path.sent.ending.at_s <= until - limits["ended_s"]
        and path.sent.last_s - path.sent.ending.at_s >= limits["ended_s"]
    ]
    if not stopped:
        return
    stopped.sort(key=lambda path: path.sent.ending.at_s)
    evidence = []
    for path in stopped[:SHOWN]:
        (near, _), (far, _) = ends(between, path)
        ending = path.sent.ending
        evidence.append(
            Evidence(
                f"{called(path)}: from frame {ending.frame} of {near} on, nothing after frame "
                f"{path.got.last_frame} of {far}",
                None,
                ending.at_s,
            )
        )
    # Those that ran on to the end, had they come through.
    running = [path for path in streams if path.sent.last_s >= until - limits["ended_s"]]
    together = (
        len(stopped) >= max(2, len(running)) and len({ends(between, path)[1][0] for path in stopped}) == 1
    )
    far = ends(between, stopped[0])[1][0]
    spans = [(path.sent.ending.at_s, until) for path in stopped]
    if together:
        yield fail(
            f"From {min(path.sent.ending.at_s for path in stopped):.1f} s on no stream came to {far} any "
            "more.",
            evidence,
            spans=spans,
        )
    else:
        yield caution(
            f"{first_upper(titles(stopped, 'stream', 'first'))} stopped at {far} and went on at the other "
            "end.",
            evidence,
            spans=spans,
            fixes=(LEFT, CABLE_BETWEEN, PORT_COUNTERS, TAKE_AGAIN),
        )


def _share(path: Path) -> float:
    return path.sent.only / max(path.matched + path.sent.only, 1)
