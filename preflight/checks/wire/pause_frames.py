"""Pause frames: a port that is told to stop sending holds audio back.

Strategy: what pause frames ask for is counted by the tally. One frame orders a stop of so many quanta of 512
bit times; the next one begins it anew or, with zero quanta, ends it, so the sum is the most that was ordered,
not what was kept. Most adapters take pause frames for themselves and show none: silence is no proof.
"""

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN, KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, counted, who
from preflight.checks.says import Limits, Measured, Says, trouble, unproven
from preflight.checks.see.flows import MAC_CONTROL, lived, shown
from preflight.checks.step import in_a_break, managed, now

CHECK = Check(
    name="pause-frames",
    subject="wire",
    order=260,
    asks=Wire,
    explains=(Explains(KEEPS_TIME, "time"),),
    soak="run",
    question="Does anything tell this port to stop sending?",
    looks_at="Pause frames (Ethernet flow control): who sends them, how many, and how long a stop they "
    "order.",
    why="A port that has to stop holds back every stream and the clock, because of one device that cannot "
    "keep up.",
    limits=(
        Limit("fail_per_s", 10, "frames in one second that order a stop", "common practice"),
        Limit("caution", 1, "frames that order a stop", "common practice"),
        Limit("quantum", 512, "bit times for each pause quantum", "IEEE 802.3 annex 31B"),
    ),
    sources=(
        "IEEE 802.3 annex 31B: at most 65 535 quanta in a frame, 33.55 ms at 1 Gb/s; bridges pass no pause "
        "frame on",
    ),
    fixes=(
        now("The frames come from the other end of this very cable: find the switch port or device there."),
        "Turn flow control off on this adapter. One end of a link is enough.",
        managed(in_a_break("Or turn it off on that port of the switch.")),
        now("Look what overloads that device: too many streams for its link, or a slower link behind it."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="A managed switch counts pause frames for each port. Where flow control is off at one end of "
    "a link, there are none.",
)


def judge(wire: Wire, limits: Limits) -> Says:
    flows = [f for f in wire.tally.flows if f.ethertype == MAC_CONTROL and f.pause_sum_quanta]
    flows.sort(key=lambda f: -f.frames)
    quantum_ms = limits["quantum"] / (wire.link_mbps * 1e3)
    longest_ms = max((f.pause_most_quanta for f in flows), default=0) * quantum_ms
    per_s = max((f.most_in_1s for f in flows), default=0)
    frames = sum(f.frames for f in flows)
    yield Measured(
        {
            "frames": frames,
            "most_in_1s": per_s,
            "longest_stop_ms": round(longest_ms, 3),
            "ordered_in_all_ms": round(sum(f.pause_sum_quanta for f in flows) * quantum_ms, 3),
            "link_mbps": wire.link_mbps,
        }
    )
    if frames < limits["caution"]:
        yield unproven("No pause frame was seen, but most adapters keep them to themselves.")
        return
    own = {talker.hardware for talker in wire.tally.talkers if talker.own}
    failed = per_s >= limits["fail_per_s"]
    rate = f"{wire.link_mbps} Mb/s" + (" (assumed)" if wire.link_assumed else "")
    yield trouble(
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"{counted(frames, 'pause frame')}: the longest stop ordered is {longest_ms:.2f} ms at {rate}"
        + (f", up to {counted(per_s, 'frame')} in a second." if failed else "."),
        [
            shown(
                f"{'this computer' if f.source in own else who(f.source)} sent {count_text(f.frames)}, "
                f"each for at most {f.pause_most_quanta * quantum_ms:.2f} ms",
                f,
            )
            for f in flows[:4]
        ],
        culprits=[f.source for f in flows if f.source],
        spans=[lived(flows)],
    )
