"""Broadcast reaches every device; hundreds a second cost every one of them time that audio needs.

Some rigs send their audio to everybody. That is how they are built: a stream is no storm, however it is
addressed.
"""

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import KEEPS_TIME, Check, Explains, Limit
from preflight.checks.say import count_text, counted
from preflight.checks.says import Limits, Measured, Says, passed, trouble
from preflight.checks.see.flows import busiest_second
from preflight.checks.see.loudest import loudest, sent
from preflight.checks.step import ONE_BY_ONE, PORT_OF_SENDER

CHECK = Check(
    name="broadcast-storm",
    subject="wire",
    order=270,
    asks=Wire,
    explains=(Explains(("link-load", *KEEPS_TIME), "time"),),
    soak="run",
    question="Is there more broadcast than the audio LAN can bear?",
    looks_at="Broadcast frames in every second and in every 100 ms, who sends them and what they are.",
    why="Every device must receive and look at every broadcast frame. In a storm boxes click, drop out or "
    "restart.",
    limits=(
        Limit("fail_per_s", 1000, "broadcast frames in one second", "common practice"),
        Limit("caution_per_s", 100, "broadcast frames in one second", "common practice"),
        Limit("least_s", 1, "s of listening, to show that there is none", "common practice"),
    ),
    least_s="least_s",
    fixes=(
        PORT_OF_SENDER,
        ONE_BY_ONE,
        "Take that device off the audio LAN. Restart it before it comes back, then run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen for at least one second.",
)


def judge(wire: Wire, limits: Limits) -> Says:
    share = 0.5 if wire.vantage == "mirror" else 1.0  # such a mirror shows every frame twice
    peak = wire.tally.rates.peaks["broadcast"]
    flows = [flow for flow in wire.tally.flows if flow.cast == "broadcast"]
    streams = [flow for flow in flows if flow.stream]
    second, tenth, at_s = peak.in_1s * share, peak.in_100ms * share, peak.in_100ms_at_s
    if streams:
        at_s, rest = busiest_second([flow for flow in flows if not flow.stream])
        second = min(rest * share, second)
        tenth = min(second, tenth)
    yield Measured(
        {
            "broadcast_frames": round(peak.total * share),
            "most_in_1s": round(second),
            "most_in_100ms": round(tenth),
            "streams": len(streams),
        }
    )
    if second < limits["caution_per_s"]:
        beside = f" beside {counted(len(streams), 'stream')} to everybody" if streams else ""
        yield passed(f"At most {count_text(second)} broadcast frames in a second{beside}.")
        return
    senders = {t.hardware: t for t in wire.tally.talkers if t.broadcast}
    streaming = {flow.source for flow in streams}
    most = {hardware: t.most_broadcast for hardware, t in senders.items() if hardware not in streaming}
    loud, name = loudest(most or {hardware: t.most_broadcast for hardware, t in senders.items()})
    failed = second >= limits["fail_per_s"]
    yield trouble(
        Outcome.FAIL if failed else Outcome.CAUTION,
        f"{'Broadcast storm' if failed else 'Much broadcast'}: {count_text(second)} frames in one second, "
        f"from {name}.",
        [
            Evidence(
                f"{count_text(second)} broadcast frames in the busiest second, {count_text(tenth)} in the "
                "busiest 100 ms",
                time_s=at_s,
            ),
            *(
                sent(
                    hardware,
                    senders[hardware].broadcast * share,
                    (f for f in flows if f.source == hardware),
                )
                for hardware in loud
            ),
        ],
        culprits=filter(None, loud),
        spans=wire.tally.rates.spans("broadcast", limits["caution_per_s"] / share),
    )
