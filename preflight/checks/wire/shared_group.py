"""Two senders that play into one group: a receiver mixes their packets up, and all who listen hear it.

Told of RTP alone, where a receiver tells a stream by its group and port. A spare that takes over sends after
the other, not beside it. Where receivers ask for one source (source-specific multicast), two may share a
group.
"""

from collections import defaultdict
from ipaddress import ip_address, ip_network

from preflight.checks.asks import Wire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.rule import AGAIN, Check, Explains, Limit
from preflight.checks.say import who
from preflight.checks.says import Limits, Measured, Says, fail, passed, unproven
from preflight.checks.see.flows import shown
from preflight.checks.see.streams import SEEN_WHERE, heard_streams
from preflight.tally.facts import Flow

CHECK = Check(
    name="shared-group",
    subject="wire",
    order=345,
    asks=Wire,
    explains=(Explains(("stream-health",), "time"),),
    question="Does each stream have its group and port for itself?",
    looks_at="RTP streams of different senders that go to one multicast group and port at the same time.",
    why="Receivers take all that comes to the group. Two senders in it come out as noise and clicks, at "
    "full level.",
    limits=(
        Limit(
            "beside_s",
            0.5,
            "s that two senders send beside one another",
            "common practice: a fail-over is quicker",
        ),
    ),
    sources=(
        "RFC 3550 section 11: a session is told by its address and port",
        "RFC 4607 section 1: groups for one source each, from memory",
    ),
    fixes=(
        "Stop one of the two senders named here, or give one of its streams another group.",
        "Is one the other's spare? Set it to wait until the other falls silent.",
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven=SEEN_WHERE,
)
FOR_ONE_SOURCE = tuple(map(ip_network, ("232.0.0.0/8", "ff30::/12")))  # RFC 4607 section 1, from memory
SHOWN = 8
MOST = 64  # senders of a group that are compared: a flood of made-up ones must not stall the verdict


def judge(wire: Wire, limits: Limits) -> Says:
    flows = {id(flow): flow for _, flow in heard_streams(wire) if _group(flow)}
    places: dict[tuple[str, int], list[Flow]] = defaultdict(list)
    for flow in flows.values():
        places[flow.destination_ip, flow.destination_port].append(flow)
    yield Measured({"groups": len(places)})
    if not places:
        yield unproven("No RTP stream to a group was heard.")
    for (group, port), senders in places.items():
        beside = _beside(senders[:MOST], limits["beside_s"])
        if not beside:
            continue
        one, other, since, until = beside
        yield fail(
            f"Two senders play into group {group}, port {port}: {_named(one)} and {_named(other)}.",
            [
                shown(f"{_named(flow)} from {flow.first_s:.1f} s to {flow.last_s:.1f} s", flow)
                for flow in senders[:SHOWN]
            ],
            culprits=[flow.source for flow in senders],
            spans=[(since, until)],
        )
    yield passed("Each stream has its group and port for itself.")


def _group(flow: Flow) -> bool:
    """Whether it goes to a group that is nobody's by itself."""
    if flow.cast != "multicast" or not flow.destination_ip:
        return False
    address = ip_address(flow.destination_ip)
    return not any(address in network for network in FOR_ONE_SOURCE if network.version == address.version)


def _beside(senders: list[Flow], least_s: float) -> tuple[Flow, Flow, float, float] | None:
    """The two of different hardware that send beside one another the longest, and when; None where none do
    for `least_s`."""
    pairs = [
        (one, other, max(one.first_s, other.first_s), min(one.last_s, other.last_s))
        for at, one in enumerate(senders)
        for other in senders[at + 1 :]
        if one.source != other.source
    ]
    longest = max(pairs, key=lambda pair: pair[3] - pair[2], default=None)
    return longest if longest is not None and longest[3] - longest[2] >= least_s else None


def _named(flow: Flow) -> str:
    return who(flow.source, flow.source_ip)
