"""Where the time of a study goes: each kernel's and the reading's, of the processor, in nanoseconds a
frame."""

import time
from collections import defaultdict
from pathlib import Path

from preflight.frames import compile as engines
from preflight.frames.capture import CaptureFile
from preflight.frames.stream import ByteStream
from preflight.survey import Survey

WORDS = {
    "fill": "copying from the page cache",
    "walk_pcap": "finding the records",
    "read": "headers into columns, and the digest",
    "rates": "rates",
    "shape": "what pictures need",
    "follow": "senders, flows, copies, RTP, PTP",
    "periodic": "periodic flows",
    "counters": "counters in payloads",
    "pick": "choosing control frames",
}


def profile(*paths: Path) -> str:
    """A table, a column for each capture. In one thread, so that the processor's time of each part can be
    told."""
    columns = [_inside(path) for path in paths]
    head = ["ns a frame, of one processor", *(path.stem for path in paths)]
    lines = [head, ["---"] * len(head)]
    for name in (*WORDS, "Python between them"):
        shown = f"`{name}`: {WORDS[name]}" if name in WORDS else name
        lines.append([shown, *(f"{each[name]:.1f}" for each in columns)])
    lines.append(["together", *(f"{sum(each.values()):.1f}" for each in columns)])
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _inside(path: Path) -> dict[str, float]:
    spent: dict[str, float] = defaultdict(float)

    def timed(name, work):
        def call(*given):
            began = time.thread_time()
            done = work(*given)
            spent[name] += time.thread_time() - began
            return done

        return call

    engine, fill = engines.compiled(), ByteStream.fill
    kept = {name: getattr(engine, name) for name in WORDS if name != "fill"}
    try:
        ByteStream.fill = timed("fill", fill)  # type: ignore[method-assign]
        for name, kernel in kept.items():
            setattr(engine, name, timed(name, kernel))
        began, frames, survey = time.thread_time(), 0, Survey()
        for batch in CaptureFile(str(path)).batches():
            survey.add(batch)
            frames += batch.rows
        whole = time.thread_time() - began
    finally:
        ByteStream.fill = fill  # type: ignore[method-assign]
        for name, kernel in kept.items():
            setattr(engine, name, kernel)
    spent["Python between them"] = whole - sum(spent.values())
    return {name: seconds * 1e9 / frames for name, seconds in spent.items()}
