"""Every planned stream over every link that it crosses, with all that a frame costs on the cable."""

from collections.abc import Iterable, Iterator

from preflight.checks.asks import Plan
from preflight.checks.rule import Check, Limit
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, unproven
from preflight.checks.see.snooping import ask, if_not, taken
from preflight.checks.step import Step, When, managed, unmanaged
from preflight.rig.budget import LARGEST_PACKET, Failure, Way, packet

CHECK = Check(
    name="trunk-budget",
    subject="plan",
    order=410,
    asks=Plan,
    when=When.PLANNING,
    question="Do the streams fit through every link, each way?",
    looks_at=(
        "The sum of the rig sheet's streams on each link and each way of it. Headers of RTP, UDP, IP and "
        "Ethernet, tags, check sequence, preamble and gap count too. Also after an engine or a link has "
        "failed. A switch without IGMP snooping sends multicast to every port; where the sheet does not "
        "tell, that is assumed, and said."
    ),
    why="A link that is nearly full has no room for bursts: frames wait, then are dropped.",
    limits=(
        Limit(
            "share", 0.70, "share of the link", "common practice; frame overhead: IEEE 802.3, RFC 5180 A.1"
        ),
        Limit("packet_bytes", LARGEST_PACKET, "bytes of an IP packet", "IEEE 802.3 clause 3.2.7, RFC 894"),
    ),
    sources=("RFC 3550, RFC 768, RFC 791, IEEE 802.3, IEEE 802.1Q: bytes beside the audio",),
    fixes=(
        "Use a faster link there: 10 Gb/s fibre between the switches.",
        "Send less over it: move a device to the other switch, or send each stream only where it is needed.",
        managed(Step("Turn IGMP snooping on, on every switch, with one querier.", When.PLANNING)),
        unmanaged(
            Step(
                "It sends multicast to every port. Use a switch with IGMP snooping there, or send each "
                "stream to one device only.",
                When.PLANNING,
            )
        ),
        "Longer packets carry the same audio with fewer headers, and with more delay.",
    ),
    unproven="Write its streams on it.",
)
JOIN = "No cable on the sheet joins the switches of the two. Write it there, or plan one."
PORTS = "Write each device's port on the rig sheet."


def judge(plan: Plan, limits: Limits) -> Says:
    budget, most = plan.budget, limits["share"]
    if not plan.sheet.stream:
        yield unproven("The rig sheet has no streams.")
        return
    full = [way for way in budget.ways if way.sure_share > most]
    maybe = [way for way in budget.ways if way.share > most and way not in full]
    for way in sorted(full, key=lambda way: -way.sure_share):
        yield fail(f"{_surely(way)}.")
    for way in maybe:
        yield caution(f"{if_not(way.assumed, _fullness(way))}.", fixes=(ask(way.assumed), *CHECK.fixes))
    for stream in plan.sheet.stream:
        if (size := packet(stream).ip) > limits["packet_bytes"]:
            yield fail(
                f"“{stream.name}” does not fit in a packet: it takes {size} bytes, "
                f"{limits['packet_bytes']:g} is the most. Fewer channels or a shorter packet time."
            )
    yield from _cut_off(plan)
    if not full:
        yield from _then(budget.failures, most, maybe=bool(maybe))
    yield Measured(
        {
            "busiest_share": round(budget.ways[0].share, 4) if budget.ways else 0.0,
            "too_full": [way.name for way in full],
            "too_full_if_flooded": [way.name for way in maybe],
            "streams_cut_off": len(budget.cut_off),
        }
    )
    for way in budget.ways[:1]:  # the fullest
        yield passed(
            f"The fullest link, {_fullness(way)}. Up to {most:.0%}, {most - way.share:.1%} are "
            f"left.{taken(way.assumed)}"
        )


def _cut_off(plan: Plan) -> Iterator[Saw]:
    """Streams that have no way. A sheet that plugs in no device at all, as a learned one, cannot show any."""
    loose = plan.budget.unplugged
    if plan.budget.cut_off and len(loose) == len(plan.sheet.device):
        yield unproven("The sheet does not tell where its devices are plugged in.", fixes=[PORTS])
        return
    senders = {stream.name: stream.sender for stream in plan.sheet.stream}
    for name, receiver in plan.budget.cut_off:
        unplugged = senders[name] in loose or receiver in loose
        yield fail(f"“{name}” has no way to {receiver}.", fixes=[PORTS if unplugged else JOIN])


def _then(failures: Iterable[Failure], most: float, maybe: bool) -> Iterator[Saw]:
    """What becomes too full when something fails: surely, or where what was not too full before is flooded
    then."""
    pairs = [(failure.surest, failure.what) for failure in failures if failure.surest]
    sure = [(way, what) for way, what in pairs if way.sure_share > most]
    for way, what in sorted(sure, key=lambda pair: -pair[0].sure_share):
        yield caution(f"If {what} fails, {_surely(way)}.")
    if not sure and not maybe:
        for failure in failures:
            fullest = failure.busiest
            if fullest is not None and fullest.share > most:
                yield caution(
                    f"{if_not(fullest.assumed, f'and {failure.what} fails, {_fullness(fullest)}')}.",
                    fixes=(ask(fullest.assumed), *CHECK.fixes),
                )


def _surely(way: Way) -> str:
    return f"{way.name} is {way.sure_share:.1%} full ({way.sure_bits_per_s / 1e6:.1f} of {way.capacity_mbps} Mb/s)"


def _fullness(way: Way) -> str:
    return f"{way.name} is {way.share:.1%} full ({way.bits_per_s / 1e6:.1f} of {way.capacity_mbps} Mb/s)"
