"""Which adapter looks like the audio LAN: points for what such an adapter has, and against what it has not.

An audio adapter is a wired one, has a link, runs at gigabit and full duplex, has a fixed or link-local
address and no default gateway. The points are common practice. They are set so that an audio adapter whose
cable is out still comes before the control network's: its cable is what the line check is run for. Between
equals nothing is chosen. Who has a rig sheet can tell which subnet is the control network's, and which
hardware addresses are planned on the audio LAN.
"""

from collections.abc import Collection
from dataclasses import dataclass
from ipaddress import ip_network

from preflight.host.facts import Adapter, HostFacts

WIRED, UNTOLD, SOFTWARE = 100, 50, 20
PLANNED = 200
NEVER = {
    "wifi": "Wi-Fi never carries the audio LAN",
    "vpn": "a tunnel is no cable",
    "bridge": "a bridge joins networks",
    "loopback": "it reaches this computer only",
    "other": "no Ethernet",
}


@dataclass(frozen=True)
class Candidate:
    """`score` orders the candidates; one of 0 is never chosen. `reasons` say what it was made of."""

    adapter: Adapter
    score: int
    reasons: tuple[str, ...]

    @property
    def name(self) -> str:
        return self.adapter.name

    @property
    def why(self) -> str:
        return ", ".join(self.reasons)


@dataclass(frozen=True)
class Proposal:
    """Every adapter, the likeliest first. `chosen` is None where two are equally likely, or none is likely at
    all."""

    candidates: tuple[Candidate, ...]
    chosen: str | None
    why: str


def propose(host: HostFacts, control: str | None = None, planned: Collection[str] = ()) -> Proposal:
    """Rank the adapters of `host`, and choose one where one is likelier than all others. `control` is the
    control network's subnet, `planned` the hardware addresses that belong on the audio LAN."""
    ranked = (_by_the_sheet(_candidate(each), control, planned) for each in host.adapters)
    candidates = tuple(sorted(ranked, key=lambda one: -one.score))
    likely = [one for one in candidates if one.score > 0]
    if not likely:
        return Proposal(candidates, None, "No adapter looks like the audio LAN. Is its adapter plugged in?")
    best = [one for one in likely if one.score == likely[0].score]
    if len(best) > 1:
        names = ", ".join(one.name for one in best[:-1]) + f" and {best[-1].name}"
        return Proposal(candidates, None, f"{names} look equally like the audio LAN.")
    return Proposal(candidates, best[0].name, f"{best[0].name} looks most like the audio LAN: {best[0].why}.")


def _candidate(adapter: Adapter) -> Candidate:
    score, kind = _kind(adapter)
    signs = [sign for sign in _signs(adapter) if sign is not None]
    if score:
        score = max(1, score + sum(points for points, _ in signs))
    return Candidate(adapter, score, (kind, *(text for _, text in signs)))


def _by_the_sheet(one: Candidate, control: str | None, planned: Collection[str]) -> Candidate:
    subnet = ip_network(control) if control else None
    known = [each.interface for each in one.adapter.addresses]
    if subnet is not None and any(each is not None and each.ip in subnet for each in known):
        return Candidate(one.adapter, 0, (*one.reasons, f"in the control network {control} of the rig sheet"))
    if one.score and (one.adapter.hardware_address or "").lower() in planned:
        return Candidate(one.adapter, one.score + PLANNED, (*one.reasons, "on the rig sheet"))
    return one


def _kind(adapter: Adapter) -> tuple[int, str]:
    if adapter.kind in NEVER:
        return 0, f"{adapter.kind_reason}: {NEVER[adapter.kind]}" if adapter.kind != "loopback" else NEVER[
            "loopback"
        ]
    if adapter.kind in ("virtual", "bond"):
        if adapter.enabled and adapter.carrier:
            return SOFTWARE, f"{adapter.kind_reason}: less likely than a wired adapter"
        return 0, adapter.kind_reason
    return (WIRED if adapter.kind == "ethernet" else UNTOLD), adapter.kind_reason


def _signs(adapter: Adapter) -> tuple[tuple[int, str] | None, ...]:
    return (
        (-50, "turned off") if adapter.enabled is False else _link(adapter),
        (-25, "the default gateway goes by it, as on a control network") if adapter.gateways else None,
        _address(adapter),
        (-30, f"part of {adapter.master}") if adapter.master else None,
    )


def _link(adapter: Adapter) -> tuple[int, str] | None:
    if not adapter.carrier:
        return (0, "no link") if adapter.carrier is False else None
    points, words = 30, ["link up"]
    if adapter.speed_mbps is not None:
        points += 10 if adapter.speed_mbps >= 1000 else 0
        words.append(f"at {adapter.speed_mbps} Mb/s")
    if adapter.duplex is not None:
        points += 5 if adapter.duplex == "full" else 0
        words.append(f"{adapter.duplex} duplex")
    return points, " ".join(words)


def _address(adapter: Adapter) -> tuple[int, str] | None:
    own = [each for each in adapter.addresses if each.version == 4]
    for origin, points, text in (
        ("dhcp", -10, "address {} from a DHCP server"),
        ("static", 20, "fixed address {}"),
        ("link-local", 20, "link-local address {}"),
    ):
        for address in own:
            if address.origin == origin:
                return points, text.format(address.text)
    return (10, f"address {own[0].text}") if own else None
