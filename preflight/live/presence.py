"""What goes on without end on a network in order: streams, steady flows, the clock. An alarm about one that
stopped is over when that one is back, not when nobody speaks of it any more.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from preflight.checks.asks import Wire
from preflight.checks.rule import values
from preflight.checks.say import what
from preflight.checks.see.best_master import grandmaster, hardware_of
from preflight.checks.see.names import Names
from preflight.checks.see.periodic import FOLLOWED, followed
from preflight.checks.see.streams import Announced, all_streams, called, names, place
from preflight.facts import Facts
from preflight.tally.facts import Flow

CLOCK_HERE_S = 5.0  # a clock that was silent for longer is not there
STREAM_HERE_S, BEAT_HERE_S = 1.0, 2.0  # as stream-health and beat-health have it
BEATS_HERE = 20
EARLY_S, LONG_ENOUGH_S = 0.5, 10.0  # it was there before, or it was no trial
LIMITS = values(FOLLOWED, {})

Key = tuple[str, ...]


@dataclass(frozen=True)
class GoingOn:
    """`check` is the one that tells where it stops. `name` asks for the names of devices: it is seldom
    wanted. `here`: it went on until now."""

    check: str
    key: Key
    name: Callable[[Names], str]
    here: bool


def going_on(facts: Facts) -> Iterator[GoingOn]:
    """What a window has heard of it."""
    wire = Wire.of(facts)
    if not isinstance(wire, Wire):
        return
    end = wire.source.duration_s
    known = names(wire)
    for stream, flow in all_streams(wire):
        here = end - stream.last_s < max(STREAM_HERE_S, 4 * stream.longest_wait_s)
        if here or _lasted(stream.first_s, stream.last_s):
            yield GoingOn("stream-health", (*map(str, place(flow)),), _stream(flow, known), here)
    for beat, flow in followed(wire, LIMITS):
        here = end - flow.last_s < max(BEAT_HERE_S, BEATS_HERE * beat.period_s)
        if flow.cast != "unicast" and (here or _lasted(flow.first_s, flow.last_s)):
            key = (flow.destination, str(flow.ethertype), str(flow.destination_port))
            yield GoingOn("beat-health", key, _beat(flow), here)
    masters = clocks(facts)
    if masters or any(port.announces for port in wire.tally.clocks):
        yield GoingOn("clock", (), _led(sorted(masters)[:3]), bool(masters))


def _stream(flow: Flow, known: dict[tuple[str, int], Announced]) -> Callable[[Names], str]:
    return lambda names: names.spelling()(called(flow, known))


def _beat(flow: Flow) -> Callable[[Names], str]:
    return lambda names: f"{what(flow)} from {names.full(flow.source, flow.source_ip)}"


def _led(masters: list[str]) -> Callable[[Names], str]:
    return lambda names: (
        f"the clock {', '.join(names.full(each) if ':' in each else each for each in masters)}".rstrip()
    )


def clocks(facts: Facts) -> set[str]:
    """Who leads now, by hardware address where there is one."""
    if facts.tally is None or facts.source is None:
        return set()
    return {
        hardware_of(grandmaster(port)) or grandmaster(port)
        for port in facts.tally.clocks
        if port.announces and port.last_s > facts.source.duration_s - CLOCK_HERE_S
    }


def _lasted(first_s: float, last_s: float) -> bool:
    return first_s <= EARLY_S or last_s - first_s >= LONG_ENOUGH_S
