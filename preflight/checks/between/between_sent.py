"""Whether packets were missing before they came to either place: by numbers that neither end saw."""

from preflight.checks.asks import Places
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.paths import SHOWN, TAKE_AGAIN, called, ends, judged_paths, titles
from preflight.checks.step import now

CHECK = Check(
    name="between-sent",
    subject="between",
    order=368,
    asks=Places,
    question="Did the streams come whole to the first of the two places?",
    looks_at="RTP sequence numbers that came to neither end while both captures ran: never sent, or lost "
    "before.",
    why="What did not come in cannot come out: the cable between the two places is not to blame for it.",
    limits=(
        Limit("caution_missing", 1, "packets of one stream", "common practice"),
        Limit("fail_missing", 10, "packets of one stream", "common practice: each can be heard"),
    ),
    sources=("RFC 3550 A.1: sequence numbers; A.3: loss",),
    fixes=(
        now("Look before the two places: at the sender, its cable and its switch port."),
        now("Capture right at the sender, and run `preflight between` from there on."),
        TAKE_AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Only streams whose packets have numbers (RTP) tell it.",
)


def judge(view: Places, limits: Limits) -> Says:
    streams = [path for path in judged_paths(view.between) if path.rtp]
    if not streams:
        yield unproven("No RTP stream passes both places.")
        return
    missing = sorted((p for p in streams if p.never >= limits["caution_missing"]), key=lambda p: -p.never)
    yield Measured({"streams": len(streams), "never_sent": sum(path.never for path in streams)})
    if missing:
        failed = missing[0].never >= limits["fail_missing"]
        yield trouble(
            Outcome.FAIL if failed else Outcome.CAUTION,
            f"{counted(sum(path.never for path in missing), 'packet')} of {titles(missing, 'stream')} came "
            "to neither place: never sent, or lost before.",
            [
                Evidence(
                    f"{called(path)}: {path.never} numbers"
                    + (f"; first missing before frame {path.jump_frame} of A" if path.jump_frame else ""),
                    None,
                    path.jump_s if path.jump_frame else None,
                )
                for path in missing[:SHOWN]
            ],
            culprits=sorted({path.source for path in missing if path.source}),
        )
    near = ends(view.between, streams[0])[0][0]
    yield passed(f"{counted(len(streams), 'stream')} came whole to the near place ({near}).")
