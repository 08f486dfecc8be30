"""Whether two captures hold the same frames at the same time, so that anything can be said of what lies
between them."""

from preflight.checks.asks import Captures
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted
from preflight.checks.says import Limits, Measured, Says, passed, unproven
from preflight.checks.see.paths import TAKE_AGAIN

CHECK = Check(
    name="between-overlap",
    subject="between",
    order=600,
    asks=Captures,
    verdict="needed",
    question="Do both captures hold the same traffic at the same time?",
    looks_at=(
        "Frames that both captures hold, by what no switch changes: without check sequence, VLAN tags and "
        "padding, and without priority marks. From them how far the two clocks are apart and drift, and how "
        "long both captures ran at once."
    ),
    why="What only one of them could have heard was not lost between them.",
    limits=(
        Limit("common_s", 1, "seconds that both captures hold", "common practice"),
        Limit("matched", 32, "frames that both captures hold", "common practice"),
    ),
    sources=(
        "IEEE 802.1Q: tags; IEEE 802.3: padding, check sequence",
        "Theil and Sen: the median of the slopes, for the drift",
    ),
    fixes=(TAKE_AGAIN,),
    unproven=(
        "Capture at both places at the same time, for a minute or more, while the same streams pass both: "
        "at a mirror port of each switch, with a snap length of 128 or more."
    ),
)


def judge(view: Captures, limits: Limits) -> Says:
    between = view.between
    clocks = between.clocks
    if between.jump_s is not None:
        yield unproven(
            f"One of the two clocks was set while it captured, by {between.jump_s:.1f} s: the two cannot "
            "be held against each other.",
            fixes=(
                "Turn the setting of the clock off at both computers, or capture by one computer. "
                + TAKE_AGAIN,
            ),
        )
        return
    if clocks is None:
        yield unproven(
            "The two captures have too few frames in common to compare their clocks: other times, other "
            "traffic, or contents that only repeat."
        )
        return
    yield Measured(
        {
            "matched": between.matched,
            "common_s": round(between.common_s, 3),
            "one_clock": clocks.one,
            "offset_s": round(clocks.offset_s, 9),
            "uncertainty_s": round(clocks.uncertainty_s, 9),
            "drift_ppm": round(clocks.drift_ppm, 3),
            "patience_s": round(between.patience_s, 3),
            "no_room": between.a.no_room + between.b.no_room,
        }
    )
    if between.common_s < limits["common_s"] or between.matched < limits["matched"]:
        yield unproven(
            f"The two captures have {counted(between.matched, 'frame')} and {between.common_s:.2f} s in "
            "common: too little to judge."
        )
        return
    yield passed(
        f"{counted(between.matched, 'frame')} are in both captures, which overlap for "
        f"{between.common_s:.1f} s. "
        + clocks_text(clocks.one, clocks.offset_s, clocks.uncertainty_s, clocks.drift_ppm),
        [
            Evidence(
                f"A runs from {between.a.first_s:.1f} s to {between.a.last_s:.1f} s, B from "
                f"{between.b.first_s:.1f} s to {between.b.last_s:.1f} s, on A's clock"
            )
        ],
    )


def clocks_text(one: bool, offset_s: float, uncertainty_s: float, drift_ppm: float) -> str:
    if one:
        return "Both have one clock."
    ahead = "ahead of" if offset_s >= 0 else "behind"
    return (
        f"B's clock is {abs(offset_s):.6f} s {ahead} A's (±{uncertainty_s * 1e6:.1f} µs), and runs "
        f"{abs(drift_ppm):.2f} ppm {'faster' if drift_ppm >= 0 else 'slower'}."
    )
