"""How far apart the two ways of a redundant pair are: the receivers must wait for the slower one."""

from preflight.between.facts import Path
from preflight.checks.asks import Networks
from preflight.checks.finding import Evidence, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Says, passed, trouble, unproven
from preflight.checks.see.paths import SHOWN, TAKE_AGAIN, called, pair_of
from preflight.checks.step import now

CHECK = Check(
    name="pair-skew",
    subject="between",
    order=356,
    asks=Networks,
    question="Are the two ways close enough for the receivers' buffers?",
    looks_at=(
        "When the same packet came in each network. With one clock for both captures (--one-clock, or two "
        "interfaces of one file) the true distance, else only by how much it changes."
    ),
    why="A packet that covers for a lost one helps only if it comes before the receiver must play it.",
    limits=(
        Limit(
            "skew_ms",
            10,
            "ms between the two, unless --buffer gives another",
            "common practice: ways within one building",
        ),
        Limit("bend_ms", 0.5, "ms that the clocks may stray from an even drift", "common practice"),
    ),
    sources=("RFC 7198 section 2: the receiver waits for the later copy",),
    fixes=(
        "Raise the receive buffer (link offset) of the receivers above the value shown.",
        now("Look for a full or slow port in the slower network."),
        TAKE_AGAIN,
    ),
    unproven="Capture both networks by one computer with two adapters, and give --one-clock, or one pcapng "
    "file of both.",
)


def judge(view: Networks, limits: Limits) -> Says:
    between = view.between
    clocks = between.clocks
    paths = [path for path in pair_of(between) if path.timed]
    if clocks is None or not paths:
        return
    skew_ms = 1000 * between.late_s or limits["skew_ms"]
    widest = max(paths, key=_apart_s if clocks.one else _change_s)
    most_ms = 1000 * (_apart_s(widest) if clocks.one else _change_s(widest))
    yield Measured({"one_clock": clocks.one, "most_ms": round(most_ms, 6), "limit_ms": skew_ms})
    evidence = [
        Evidence(
            f"{called(path)}: {1000 * (path.least_s or 0):+.3f} to {1000 * (path.most_s or 0):+.3f} ms"
            + ("" if clocks.one else ", where 0 is the middle of all")
            + f"; furthest frame {path.spread_at.a} of A, frame {path.spread_at.b} of B",
            None,
            path.spread_at.at_s,
        )
        for path in sorted(paths, key=_apart_s if clocks.one else _change_s, reverse=True)[:SHOWN]
    ]
    if not clocks.one and clocks.bend_s * 1000 > limits["bend_ms"]:
        yield unproven(
            "The two clocks do not run evenly against each other: one was set, or is being steered.", evidence
        )
    elif most_ms > skew_ms:
        yield trouble(
            Outcome.FAIL,
            f"The two ways are up to {most_ms:.2f} ms apart: more than {skew_ms:g} ms, which the receivers "
            "must hold.",
            evidence,
        )
    elif not clocks.one:
        yield unproven(
            f"How far the two ways are apart changes by {most_ms:.3f} ms; how much it is in all does not "
            "show with two clocks.",
            evidence,
        )
    else:
        yield passed(f"The two ways are at most {most_ms:.3f} ms apart.", evidence)


def _apart_s(path: Path) -> float:
    """The furthest that the two copies of a packet came apart, either way."""
    return max(abs(path.least_s or 0.0), abs(path.most_s or 0.0))


def _change_s(path: Path) -> float:
    return (path.most_s or 0.0) - (path.least_s or 0.0)
