"""Results made by hand for the report tests."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.step import now
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.verdict import Result, decide


def facts(**more):
    source = SourceFacts(
        kind="capture",
        name="salt-road-revue.pcapng",
        frames=123456,
        captured_bytes=20_000_000,
        first_ns=1_764_000_000_000_000_000,
        duration_s=12.3456,
        link_types=("Ethernet",),
    )
    return Facts(source=source, vantage="access port", **more)


LOOP = Finding(
    "loop",
    Outcome.FAIL,
    "There is a loop: 12 345 different frames go round, one of them 4 200 times.",
    evidence=(
        Evidence("one frame came 4 200 times: ARP from 00:00:5e:00:53:01 (192.0.2.11)", 17, 1.25),
        Evidence("2001:db8:1111:2222:3333:4444:5555:6666 sent to 33:33:00:00:00:fb", 18, None),
    ),
    measured={"copies": 4200, "share": 0.5},
    limits={"copies": 8},
    fixes=(
        now("Look for two cables between the same two switches. Pull one of them."),
        now("Run the line check again."),
    ),
    cautions=(MUTE_FIRST,),
    culprits=("00:00:5e:00:53:01",),
    spans=((1.0, 2.0),),
)
STORM = Finding(
    "broadcast-storm",
    Outcome.FAIL,
    "Broadcast storm: 9 876 frames in one second, from 00:00:5e:00:53:01.",
    spans=((1.0, 2.5),),
)
UNSHOWN = Finding(
    "stray-dhcp",
    Outcome.UNPROVEN,
    "Nobody asked for an address.",
    fixes=(now("Plug in a computer that asks for an address while you listen."),),
)
LOAD = Finding("link-load", Outcome.PASS, "At most 3 % of 1000 Mb/s in a second.")
QUALITY = Finding("capture-quality", Outcome.PASS, "123 456 whole frames in 12.3 s, in order.")
SPLIT = Finding("capture-quality", Outcome.CAUTION, "Trust this capture only in part: frames were dropped.")

RESULTS = {
    "loop": Result(facts(), decide([LOAD, QUALITY, UNSHOWN, STORM, LOOP])),
    "ready": Result(facts(), decide([LOAD, QUALITY])),
    "cautions": Result(facts(), decide([LOAD, SPLIT])),
    "refused": Result(
        Facts(adapter="eth0", wire_refused="eth0: no right to listen; run it with sudo"),
        decide([Finding("link-up", Outcome.PASS, "eth0 has a link."), UNSHOWN]),
    ),
    "unproven": Result(
        Facts(adapter="eth0", wire_refused="eth0: no right to listen; run it with sudo"), decide([UNSHOWN])
    ),
}

# An escape sequence, markup, a direction override, a lone surrogate, a hidden newline, a bell.
HOSTILE = "a\x1b[2J\x1b]0;x\x07[bold]x[/] [/nope] \u202egnp.exe \ud800 b\r\nPASS\u2028c:smile:\x9b31m"


def hostile() -> Result:
    bad = Finding(
        "loop",
        Outcome.FAIL,
        HOSTILE,
        evidence=(Evidence(HOSTILE, 1, float("nan")),),
        measured={HOSTILE: [HOSTILE, float("inf"), {3, 1}, b"\xff", None]},
        limits={"x": float("-inf")},
        fixes=(now(HOSTILE),),
        cautions=(HOSTILE,),
        culprits=(HOSTILE,),
    )
    unshown = Finding("stray-dhcp", Outcome.UNPROVEN, HOSTILE, fixes=(now(HOSTILE),))
    source = SourceFacts(kind="capture", name=HOSTILE, first_ns=1 << 80, ended_early=HOSTILE)
    return Result(Facts(source=source, wire_refused=HOSTILE), decide([bad, unshown]))
