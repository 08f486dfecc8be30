"""Whether frames keep their order on the way, and come once."""

from preflight.between.facts import Path
from preflight.checks.asks import Places
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted
from preflight.checks.says import Limits, Measured, Says, caution, passed, unproven
from preflight.checks.see.paths import SHOWN, TAKE_AGAIN, called, ends, judged_paths, titles
from preflight.checks.step import now

SECOND_WAY = now(
    "Look for a second way between the two places: a cable too many, a ring, or cables that act as one and "
    "share out packets one by one. A switch keeps the order of a flow by itself."
)

CHECK = Check(
    name="between-order",
    subject="between",
    order=366,
    asks=Places,
    question="Do frames keep their order on the way, and come once?",
    looks_at="For each flow that both captures hold: frames that came after a later one, and frames that "
    "came once more than at the other end.",
    why="Order is lost, and frames double, only where there are two ways: the beginning of a loop, or a "
    "bundle of cables set wrong.",
    limits=(
        Limit(
            "reordered",
            1,
            "frames of a flow that came after a later one",
            "common practice: IEEE 802.1Q keeps the order",
        ),
        Limit("doubled", 1, "frames of a flow that came twice", "common practice: IEEE 802.1Q doubles none"),
    ),
    sources=("IEEE 802.1Q: order is kept, frames are not doubled", "RFC 4737: reordering"),
    fixes=(SECOND_WAY, TAKE_AGAIN),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Streams whose packets have numbers (RTP) tell it.",
)


def judge(view: Places, limits: Limits) -> Says:
    paths = judged_paths(view.between)
    if not paths:
        yield unproven("No flow passes both places.")
        return
    mixed = sorted((p for p in paths if p.reordered >= limits["reordered"]), key=lambda p: -p.reordered)
    doubled = sorted((p for p in paths if p.got.doubled >= limits["doubled"]), key=lambda p: -p.got.doubled)
    more = [path for path in paths if path.got.more]
    yield Measured(
        {
            "reordered": sum(path.reordered for path in paths),
            "doubled": sum(path.got.doubled for path in paths),
            "more_of_repeating": sum(path.got.more for path in paths),
        }
    )
    if mixed:
        yield caution(
            f"{counted(sum(path.reordered for path in mixed), 'frame')} of {titles(mixed, 'flow')} came "
            "after a later one.",
            [_reordered(path) for path in mixed[:SHOWN]],
            spans=[(path.first_reordered.at_s, path.sent.last_s) for path in mixed],
        )
    if doubled:
        yield caution(
            f"{counted(sum(path.got.doubled for path in doubled), 'frame')} of {titles(doubled, 'flow')} "
            "came twice.",
            [_doubled(view, path) for path in doubled[:SHOWN]],
            spans=[(path.got.doubled_s, path.got.last_s) for path in doubled],
        )
    if more:
        yield unproven(
            f"{counted(sum(path.got.more for path in more), 'frame')} came out more often than they went "
            "in, but their content repeats: doubled on the way, or missed by the capture at the near end.",
            [
                Evidence(
                    f"{called(path)}: frame {path.got.more_frame} of {ends(view.between, path)[1][0]}",
                    None,
                    path.got.more_s,
                )
                for path in more[:SHOWN]
            ],
        )
    yield passed(f"Order was kept, and nothing was doubled, in {counted(len(paths), 'flow')}.")


def _reordered(path: Path) -> Evidence:
    seen = path.first_reordered
    return Evidence(
        f"{called(path)}: {path.reordered} of {path.timed}; first frame {seen.a} of A, frame {seen.b} of B",
        None,
        seen.at_s,
    )


def _doubled(view: Places, path: Path) -> Evidence:
    (near, _), (far, _) = ends(view.between, path)
    got = path.got
    of = f", once more frame {got.doubled_other} of {near}" if got.doubled_other else ""
    return Evidence(
        f"{called(path)}: {got.doubled} more; first frame {got.doubled_frame} of {far}{of}",
        None,
        got.doubled_s,
    )
