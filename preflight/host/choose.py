"""Which adapter looks like the audio LAN, and why. It never decides between two that look equal."""

from dataclasses import dataclass

from preflight.host.facts import Adapter, HostFacts

UNFIT = {"loopback", "wifi", "vpn", "bridge", "other"}


@dataclass(frozen=True)
class Candidate:
    """An adapter with its score (higher is likelier, below 0 never) and what speaks for and against it."""

    name: str
    score: int
    why: str


@dataclass(frozen=True)
class Proposal:
    """`chosen` is None where none is fit or two are equal; `why` says which."""

    chosen: str | None
    why: str
    candidates: tuple[Candidate, ...]


def _candidate(adapter: Adapter) -> Candidate:
    if adapter.kind in UNFIT:
        return Candidate(adapter.name, -1, f"no: {adapter.kind_reason}")
    score, words = 0, [adapter.kind_reason]
    if adapter.kind == "ethernet":
        score += 4
    if adapter.carrier:
        score += 8
        words.append("link is up")
    else:
        words.append("no link")
    if adapter.speed_mbps:
        score += 2 if adapter.speed_mbps >= 1000 else 0
        words.append(f"{adapter.speed_mbps} Mb/s")
    if adapter.gateways:
        words.append("the way to other networks goes by it")
    else:
        score += 3
        words.append("no gateway by it")
    return Candidate(adapter.name, score, ", ".join(words))


def propose(host: HostFacts) -> Proposal:
    ranked = tuple(sorted((_candidate(one) for one in host.adapters), key=lambda c: (-c.score, c.name)))
    # Without a link there is nothing to listen to: such an adapter has to be named.
    fit = [one for one in ranked if one.score >= 8]
    if not fit:
        return Proposal(None, "No adapter with a link looks like the audio LAN.", ranked)
    if len(fit) > 1 and fit[0].score == fit[1].score:
        equal = ", ".join(one.name for one in fit if one.score == fit[0].score)
        return Proposal(None, f"These look equal: {equal}. Say which with --adapter NAME.", ranked)
    return Proposal(fit[0].name, f"{fit[0].name}: {fit[0].why}.", ranked)
