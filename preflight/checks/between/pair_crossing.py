"""Whether the two networks of a redundant pair touch: a device of one that is heard in the other.

Strategy: no hardware address belongs to both. Where one speaks in both, a cable, a switch or a device joins
them; broadcasts of one in the other say the same. A device that sits wholly in the wrong network shows by its
IP address: it is of the /24 that the other network's devices are in.
"""

from collections import Counter
from collections.abc import Iterator

from preflight.between.facts import Talker
from preflight.checks.asks import Networks
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted, who
from preflight.checks.says import Limits, Measured, Saw, Says, fail, passed, unproven
from preflight.checks.see.paths import SHOWN
from preflight.checks.step import managed, now

CHECK = Check(
    name="pair-crossing",
    subject="between",
    order=25,
    asks=Networks,
    question="Are the two networks apart?",
    looks_at=(
        "Hardware addresses that send in both networks, their broadcasts, and devices with an IPv4 address "
        "of the other network's range. What no switch passes on (LLDP, spanning tree) is left out: one "
        "switch may serve both."
    ),
    why=(
        "Where the two touch, one storm takes both down, streams come twice to one receiver, and the pair "
        "is redundant no more. Most often it is one patch cable in the wrong port."
    ),
    limits=(
        Limit("frames", 1, "frames of a device in the network that is not its own", "common practice"),
        Limit(
            "share",
            0.6,
            "of the devices in a /24, from which on it is the network's range",
            "common practice",
        ),
    ),
    sources=("IEEE 802: a hardware address is one station's",),
    fixes=(
        managed(
            now(
                "Find the port of the switch where the named device comes in (its address table tells), in "
                "both networks."
            )
        ),
        "Unplug the cable that joins the two: look at patch panels and at devices with two sockets, A into "
        "A and B into B.",
        now("Capture both again, then run `preflight between --pair` again."),
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Capture both networks while all devices are on.",
)


def judge(view: Networks, limits: Limits) -> Says:
    a, b = (
        {each.hardware: each for each in end.talkers if each.hardware}
        for end in (view.between.a, view.between.b)
    )
    if not a or not b:
        yield unproven("No sender was heard in one of the two networks.")
        return
    both = [mac for mac in a if mac in b and min(a[mac].frames, b[mac].frames) >= limits["frames"]]
    strays = list(_strays(a, b, "A", "B", limits["share"])) + list(_strays(b, a, "B", "A", limits["share"]))
    yield Measured(
        {
            "devices_a": len(a),
            "devices_b": len(b),
            "in_both": len(both),
            "of_the_other_range": len(strays),
            "broadcasts_across": sum(min(a[mac].broadcasts, b[mac].broadcasts) for mac in both),
        }
    )
    if both:
        yield _joined(both, a, b)
    strays = [each for each in strays if each[1].hardware not in both]
    if strays:
        yield fail(
            f"{counted(len(strays), 'device')} in the wrong network, by address.",
            [
                Evidence(
                    f"{who(each.hardware, each.address)} speaks in {here}, with an address of {home}: "
                    f"frame {each.first_frame}",
                    None,
                    each.first_s,
                )
                for here, each, home in strays[:SHOWN]
            ],
            culprits=[each.hardware for _, each, _ in strays],
        )
    yield passed(f"The two networks are apart: {len(a)} and {counted(len(b), 'sender')}, none in both.")


def _joined(both: list[str], a: dict[str, Talker], b: dict[str, Talker]) -> Saw:
    both.sort(key=lambda mac: -min(a[mac].frames, b[mac].frames))
    evidence = []
    for mac in both[:SHOWN]:
        here, there = a[mac], b[mac]
        shared = min(here.broadcasts, there.broadcasts)
        cast = (
            f"; broadcasts in both, the first frame {here.broadcast_frame} of A and frame "
            f"{there.broadcast_frame} of B"
            if shared
            else ""
        )
        evidence.append(
            Evidence(
                f"{who(mac, here.address or there.address)}: {counted(here.frames, 'frame')} in A from "
                f"frame {here.first_frame} on, {counted(there.frames, 'frame')} in B from frame "
                f"{there.first_frame} on{cast}",
                None,
                max(here.first_s, there.first_s),
            )
        )
    if len(both) > SHOWN:
        evidence.append(Evidence(f"and {counted(len(both) - SHOWN, 'more device')}"))
    what = "One device speaks" if len(both) == 1 else f"{len(both)} devices speak"
    return fail(f"{what} in both networks: they are joined somewhere.", evidence, culprits=both)


def _strays(
    mine: dict[str, Talker], others: dict[str, Talker], here: str, home: str, share: float
) -> Iterator[tuple[str, Talker, str]]:
    """Devices here whose address is of the range that the other network has, where the two have a range
    each."""
    own, other = _range(mine, share), _range(others, share)
    if own and other and own != other:
        yield from ((here, each, home) for each in mine.values() if _net(each.address) == other)


def _range(talkers: dict[str, Talker], share: float) -> str:
    nets = Counter(net for each in talkers.values() if (net := _net(each.address)))
    if not nets:
        return ""
    net, count = nets.most_common(1)[0]
    return net if count >= 2 and count >= share * nets.total() else ""


def _net(address: str) -> str:
    """The /24 of an address; none for one that has none yet, or an own choice (RFC 3927)."""
    if not address or address.startswith(("0.", "169.254.")):
        return ""
    return address.rpartition(".")[0]
