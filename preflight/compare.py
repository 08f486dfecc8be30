"""What differs between two saved results: the main computer and its spare, or tonight and the last good show.

Strategy: compare what is worth comparing, and say of each difference whether it matters. Noise is what
differs between any two computers (names, hardware addresses, makes) and any two nights (counts, who spoke
once). What one side cannot say is noise, too: it is no proof of a difference. The limits are common practice.
Where one side is anonymised, no address or name of it is one of the other: they are taken out of both, and
what is left is compared, with how many there are.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, replace

from preflight.host.facts import Adapter, HostFacts
from preflight.report.saved import Heard, HeardClock, HeardDevice, HeardStream, Saved

EXPECTED_FRAMES = 5  # fewer to be expected in the other's time: it may just not have spoken
PACE_OFF = 0.10  # share that a stream's pace may differ by
RATE_TIMES = 3.0
# Below these in a second, rates are small talk, whatever their ratio.
RATE_FLOORS = {"broadcast": 50, "discovery": 50, "multicast": 1000, "unicast": 10_000, "bytes": 1_000_000}

# What differs between any two computers, or is compared on its own below.
ADAPTER_NOISE = {"name", "hardware_address", "driver", "temperature_c", "hot_c"}
ADAPTER_APART = {"addresses", "gateways", "counters", "kind_reason"}
# The load is another at each moment; too much of it is a finding.
HOST_APART = {"adapters", "power", "load"}
POWER_NOISE = {"battery_percent"}
HOST_NOISE = {"system", "temperature_c"}
UNITS = {"speed_mbps": " Mb/s", "mtu": " bytes"}
NAMES = {
    "kind": "kind of adapter",
    "enabled": "turned on",
    "carrier": "link",
    "speed_mbps": "link speed",
    "mtu": "largest packet (MTU)",
    "hardware_address": "hardware address",
    "bus": "where the adapter sits",
    "master": "part of a bridge or bond",
    "forwarding": "passes packets on",
    "ip_forwarding": "passes packets on between networks",
    "bytes": "bytes received",
}
NOTHING = "nothing"
UNTOLD = "not told"


@dataclass(frozen=True)
class Difference:
    """`what` differs: it is `a` in the first result and `b` in the second."""

    subject: str
    what: str
    a: str
    b: str
    matters: bool


def compare(a: Saved, b: Saved) -> list[Difference]:
    """All that differs, what matters first, in the order of mending: computer, network, findings."""
    counts: list[Difference] = []
    if unlike(a, b):
        counts = [*_counts(a, b)]
        a, b = _nameless(a), _nameless(b)
    found = [*_computers(a, b), *counts, *_networks(a, b), *_findings(a, b)]
    return sorted(found, key=lambda one: not one.matters)


def unlike(a: Saved, b: Saved) -> str:
    """Why addresses and names of the two cannot be held against each other, in a sentence; "" where they
    can."""
    here, there = ({each.hardware for each in side.heard.devices} if side.heard else set() for side in (a, b))
    if a.anonymised != b.anonymised:
        why = f"{'A' if a.anonymised else 'B'} is anonymised, and the other is not"
    elif a.anonymised and here and there and not here & there:
        why = "Both are anonymised and have no address in common, as those of two senders"
    else:
        return ""
    return f"{why}: addresses and names are left out, and only how many there are is compared."


def _nameless(side: Saved) -> Saved:
    """Without what anonymising replaces. Of the clocks of a domain only how many there are is left."""
    computer, heard = side.computer, side.heard
    if computer is not None:
        computer = replace(
            computer,
            power=replace(computer.power, plan=None),
            adapters=tuple(
                replace(
                    each,
                    kind_reason="",
                    hardware_address=None,
                    permanent_address=None,
                    driver=None,
                    addresses=(),
                    gateways=None if each.gateways is None else tuple("one" for _ in each.gateways),
                    master=each.master and "another adapter",
                    usb=each.usb and replace(each.usb, beside=None),
                )
                for each in computer.adapters
            ),
        )
    if heard is not None:
        clocks = Counter(replace(each, grandmaster="") for each in heard.clocks)
        told = (replace(each, grandmaster=f"{many} clock{'s' * (many > 1)}") for each, many in clocks.items())
        heard = replace(heard, devices=(), streams=(), clocks=tuple(told))
    return replace(side, computer=computer, heard=heard)


def _counts(a: Saved, b: Saved) -> Iterator[Difference]:
    """How many devices and streams spoke often enough to be missed in the other's time."""
    if a.heard is None or b.heard is None:
        return
    own = _own(a) | _own(b)
    sides = (a.heard, b.heard.seconds), (b.heard, a.heard.seconds)
    for what, there in (("devices", lambda heard: _devices(heard, own)), ("streams", _streams)):
        one, other = (
            sum(_missed(each.frames, heard.seconds, seconds) for each in there(heard).values())
            for heard, seconds in sides
        )
        if one != other:
            yield Difference("network", f"{what} that speak often", str(one), str(other), True)


def _missed(frames: int, own_s: float, other_s: float) -> bool:
    """Whether who sent so many frames in its own time would be missed in the other's."""
    return frames >= EXPECTED_FRAMES and frames * other_s / max(own_s, 0.001) >= EXPECTED_FRAMES


def _computers(a: Saved, b: Saved) -> Iterator[Difference]:
    if a.computer is None or b.computer is None:
        return
    yield from _fields("computer", a.computer, b.computer, HOST_NOISE, HOST_APART)
    yield from _fields("computer", a.computer.power, b.computer.power, POWER_NOISE, set())
    here, there = a.computer.adapter(a.adapter), b.computer.adapter(b.adapter)
    if here is not None and there is not None:
        yield from _fields("audio adapter", here, there, ADAPTER_NOISE, ADAPTER_APART)
        yield from _addresses(here, there)
        if here.gateways is not None and there.gateways is not None and here.gateways != there.gateways:
            one_has_none = not here.gateways or not there.gateways
            yield Difference(
                "audio adapter",
                "default gateway",
                _shown(here.gateways),
                _shown(there.gateways),
                one_has_none,
            )
    connected, others = (_connected(each.computer, each.adapter) for each in (a, b))
    for kind in sorted(set(connected) | set(others)):
        if connected[kind] != others[kind]:
            yield Difference(
                "computer",
                f"other {kind} adapters with a link",
                str(connected[kind]),
                str(others[kind]),
                True,
            )


def _fields(
    subject: str, here: object, there: object, noise: set[str], apart: set[str]
) -> Iterator[Difference]:
    """Every field that differs. One that nobody has named here yet matters: better once too often."""
    for field in fields(here):  # type: ignore[arg-type]
        one, other = getattr(here, field.name), getattr(there, field.name)
        if field.name in apart or one == other:
            continue
        unit = UNITS.get(field.name, "")
        yield Difference(
            subject,
            NAMES.get(field.name, field.name.replace("_", " ")),
            _shown(one, unit),
            _shown(other, unit),
            field.name not in noise and ((one is not None and other is not None) or field.name == "master"),
        )


def _addresses(here: Adapter, there: Adapter) -> Iterator[Difference]:
    same_computer = here.hardware_address is not None and here.hardware_address == there.hardware_address
    one, other = ([each for each in adapter.addresses if each.version == 4] for adapter in (here, there))
    texts = [sorted(each.text for each in side) for side in (one, other)]
    if same_computer or not one or not other:
        if texts[0] != texts[1]:
            yield Difference("audio adapter", "IPv4 address", _shown(texts[0]), _shown(texts[1]), True)
    elif both := set(texts[0]) & set(texts[1]):
        shared = _shown(sorted(both))
        yield Difference(
            "audio adapter", "the same IPv4 address at both: never plug both in at once", shared, shared, True
        )
    subnets = [_distinct(str(i.network) for each in side if (i := each.interface)) for side in (one, other)]
    origins = [_distinct(each.origin for each in side if each.origin) for side in (one, other)]
    for what, sides in (("subnet", subnets), ("where its address comes from", origins)):
        if sides[0] != sides[1] and all(sides):
            yield Difference("audio adapter", what, _shown(sides[0]), _shown(sides[1]), True)


def _distinct(words: Iterable[str]) -> list[str]:
    return sorted(set(words))


def _connected(computer: HostFacts | None, audio: str | None) -> Counter[str]:
    adapters = computer.adapters if computer else ()
    return Counter(
        each.kind
        for each in adapters
        if each.carrier and each.name != audio and each.kind not in (None, "loopback", "virtual", "other")
    )


def _networks(a: Saved, b: Saved) -> Iterator[Difference]:
    if a.heard is None or b.heard is None:
        if (a.heard is None) != (b.heard is None):
            one, other = (NOTHING if each.heard is None else "listened" for each in (a, b))
            yield Difference("network", "what was heard", one, other, True)
        return
    here, there = a.heard, b.heard
    if here.vantage != there.vantage:
        matters = "unknown" not in (here.vantage, there.vantage)
        yield Difference("network", "where it was heard from", here.vantage, there.vantage, matters)
    own = _own(a) | _own(b)
    yield from _missing("device", _devices(here, own), _devices(there, own), here.seconds, there.seconds)
    yield from _clocks(here.clocks, there.clocks)
    yield from _missing("stream", _streams(here), _streams(there), here.seconds, there.seconds)
    for name, stream in _streams(here).items():
        again = _streams(there).get(name)
        if again is not None and abs(stream.per_s - again.per_s) > PACE_OFF * max(stream.per_s, again.per_s):
            one, other = (f"{each.per_s:.0f} packets/s" for each in (stream, again))
            yield Difference("network", f"pace of stream {name}", one, other, True)
    for measure, floor in RATE_FLOORS.items():
        low, high = sorted(side.rates.get(measure, 0) for side in (here, there))
        if high != low:
            yield Difference(
                "network",
                f"most {NAMES.get(measure, measure)} in a second",
                str(here.rates.get(measure, 0)),
                str(there.rates.get(measure, 0)),
                high - low >= floor and high >= RATE_TIMES * low,
            )


def _own(result: Saved) -> set[str]:
    """The computer's own hardware addresses: main and spare hear each other, and that is no difference."""
    adapters = result.computer.adapters if result.computer else ()
    heard = result.heard.devices if result.heard else ()
    return {each.hardware_address or "" for each in adapters} | {each.hardware for each in heard if each.own}


def _devices(heard: Heard, own: set[str]) -> dict[str, HeardDevice]:
    return {each.hardware: each for each in heard.devices if each.hardware not in own}


def _streams(heard: Heard) -> dict[str, HeardStream]:
    return {f"{each.destination} from {each.source}": each for each in heard.streams}


def _missing(
    subject: str,
    here: Mapping[str, HeardDevice | HeardStream],
    there: Mapping[str, HeardDevice | HeardStream],
    here_s: float,
    there_s: float,
) -> Iterator[Difference]:
    """What was heard on one side only. It matters where it spoke often enough to be missed on the other."""
    for side, (names, others, own_s, other_s) in enumerate(
        ((here, there, here_s, there_s), (there, here, there_s, here_s))
    ):
        for name, each in names.items():
            if name in others:
                continue
            text = f"{each.frames} frame{'' if each.frames == 1 else 's'}"
            if isinstance(each, HeardDevice) and each.names:
                name = f"{name} ({', '.join(each.names)})"
            yield Difference(
                "network",
                f"{subject} {name}",
                NOTHING if side else text,
                text if side else NOTHING,
                _missed(each.frames, own_s, other_s),
            )


def _clocks(here: Iterable[HeardClock], there: Iterable[HeardClock]) -> Iterator[Difference]:
    sides: list[dict[str, set[str]]] = []
    for clocks in (here, there):
        by_domain: dict[str, set[str]] = defaultdict(set)
        for clock in clocks:
            by_domain[f"PTP version {clock.version}, domain {clock.domain} ({clock.transport})"].add(
                clock.grandmaster
            )
        sides.append(by_domain)
    for domain in sorted(set(sides[0]) | set(sides[1])):
        one, other = (sorted(side.get(domain, ())) for side in sides)
        if one != other:
            yield Difference("network", f"clock of {domain}", _shown(one), _shown(other), True)


def _findings(a: Saved, b: Saved) -> Iterator[Difference]:
    for check in sorted(set(a.findings) | set(b.findings)):
        one, other = a.findings.get(check), b.findings.get(check)
        outcomes = {each.outcome if each else None for each in (one, other)}
        if len(outcomes) > 1:
            yield Difference(
                "finding",
                check,
                f"{one.outcome}: {one.headline}" if one else "not asked",
                f"{other.outcome}: {other.headline}" if other else "not asked",
                bool(outcomes & {"caution", "fail"}),
            )


def _shown(value: object, unit: str = "") -> str:
    if value is None:
        return UNTOLD
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(map(_shown, value)) or "none"
    return f"{value}{unit}"
