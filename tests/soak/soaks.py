"""Soaks made by hand."""

from dataclasses import replace
from pathlib import Path

from preflight.checks.finding import Finding, Outcome
from preflight.host.facts import Adapter, Counters, HostFacts
from preflight.live.log import Entry, Log, Plan
from preflight.soak.facts import NS, Figures, Noted, Run, SoakFacts

BEGUN = 1_764_000_000 * NS
HOUR = 3600 * NS
GOOD = Figures(
    watched_ns=4 * HOUR, frames=14_000_000, slowest_mbps=1000, fastest_mbps=1000,
    rises=Counters(rx_frames=14_000_000, rx_errors=0, tx_errors=0, rx_crc_errors=0),
)  # fmt: skip
ADAPTER = Adapter(
    "eth0", "ethernet", enabled=True, carrier=True, speed_mbps=1000, duplex="full", hardware_address="00:00:5e:00:53:0a",
    counters=Counters(rx_frames=1000, rx_errors=7, tx_errors=0, rx_crc_errors=7, carrier_changes=2),
)  # fmt: skip
HOST = HostFacts("Linux", (ADAPTER,))
PLAN = Plan("cable 7", "A-12", "Kim", "eth0", "00:00:5e:00:53:0a", 4 * HOUR)


def host(**changes) -> HostFacts:
    """The computer whose adapter is changed; counts by their names."""
    counts = {name: changes.pop(name) for name in list(changes) if name in vars(ADAPTER.counters)}
    return HostFacts("Linux", (replace(ADAPTER, counters=replace(ADAPTER.counters, **counts), **changes),))


def soak(figures: Figures = GOOD, **more) -> SoakFacts:
    facts = {
        "number": 3, "item": "cable 7", "serial": "A-12", "who": "Kim", "adapter": "eth0", "hardware": "00:00:5e:00:53:0a",
        "computer": "bench", "planned_ns": 4 * HOUR, "state": "done", "figures": figures,
        "runs": (Run(BEGUN, BEGUN + figures.watched_ns, figures),),
    }  # fmt: skip
    return SoakFacts(**{**facts, **more})


def entry(
    figures: Figures, total: Figures, *notes: Noted, at_ns: int = BEGUN, says: str = "All is well."
) -> Entry:
    found = (Finding("link-up", Outcome.PASS, says, measured={"carrier": True}, spans=((0.0, 1.0),)),)
    return Entry(at_ns, figures, total, notes, found, found, "ready", says)


def logged(path: Path, pieces: int = 3, plan: Plan = PLAN) -> int:
    """A soak in the log of so many pieces of 5 s, stopped."""
    with Log(path, write=True) as log:
        number, run = log.begin(plan, "", BEGUN)
        total = Figures()
        for piece in range(1, pieces + 1):
            figures = Figures(watched_ns=5 * NS, frames=10, rises=Counters(rx_frames=10, rx_errors=0))
            total += figures
            log.add(number, run, entry(figures, total, at_ns=BEGUN + 5 * NS * piece), "stopped")
    return number
