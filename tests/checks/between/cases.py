"""Findings of two captures, whose facts are given as the engine gives them."""

from dataclasses import replace

from preflight.between.facts import BetweenFacts, Clocks, End, Ending, Gap, Here, Lone, Path, Seen, Talker
from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from tests.tally.captures import mac

NOWHERE = Seen(0, 0, 0.0)
HERE = Here(
    frames=1000, first_frame=1, first_s=0.0, last_frame=1000, last_s=10.0, only=0, gap_count=0, longest=0, alike=0, gaps=(),
    ending=Ending(0, 0, 0.0), doubled=0, doubled_frame=0, doubled_s=0.0, doubled_other=0, more=0, more_frame=0, more_s=0.0,
)  # fmt: skip
PATH = Path(
    source=mac(5), destination="01:00:5e:7c:00:01", cast="multicast", ethertype=0x0800, protocol=17, source_port=5004,
    destination_port=5004, source_ip="192.0.2.5", destination_ip="233.252.0.1", b_source=mac(5), b_source_ip="192.0.2.5",
    b_destination_ip="233.252.0.1", rtp=True, way="A to B", a=HERE, b=HERE, matched=1000, timed=1000, least_s=0.0,
    most_s=20e-6, spread_s=20e-6, spread_at=Seen(7, 8, 0.5), mean_s=5e-6, late=0, first_late=NOWHERE, reordered=0,
    first_reordered=NOWHERE, never=0, jump_frame=None, jump_s=0.0,
)  # fmt: skip
LONE = Lone(
    source=mac(6), destination="01:00:5e:7c:00:02", cast="multicast", ethertype=0x0800, protocol=17, source_port=5004,
    destination_port=5004, source_ip="192.0.2.6", destination_ip="233.252.0.2", rtp=True, frames=100, first_frame=3,
    first_s=0.1, last_s=9.0,
)  # fmt: skip
END = End(
    name="a.pcap", source=SourceFacts("capture", "a.pcap", frames=1000), frames=1000, first_s=0.0, last_s=10.0, link_local=0,
    cut=0, no_room=0, quiet_s=0.002, quiet_at_s=1.0, mirrored=False, twins=0, lone=(),
)  # fmt: skip
CLOCKS = Clocks(one=False, offset_s=3.0, drift_ppm=50.0, uncertainty_s=1e-6, contents=900, bend_s=1e-6)
TOLD = BetweenFacts(
    a=END, b=replace(END, name="b.pcap"), pair=False, clocks=CLOCKS, common_s=10.0, matched=1000, patience_s=1.0, late_s=0.001,
    paths=(PATH,),
)  # fmt: skip
PAIR = replace(TOLD, pair=True, late_s=0.01, clocks=replace(CLOCKS, one=True, offset_s=0.0, drift_ppm=0.0))
TALKER = Talker(mac(1), "192.0.2.1", 50, 4, 0.2, 2, 9)


def dropped(end: End, frames: int | None) -> End:
    return replace(end, source=replace(end.source, dropped=frames))


def gone(frames: int, at_s: float = 2.0, alike: int = 0, **more) -> Here:
    """One end of a flow of which the other lacks `frames` in a row."""
    gap = Gap(frames, 201, at_s, at_s + 0.01 * frames, 190, 191)
    return replace(HERE, only=frames, gap_count=1, longest=frames, gaps=(gap,), alike=alike, **more)


def facts(*paths: Path, told: BetweenFacts = TOLD, **more) -> Facts:
    return Facts(between=replace(told, paths=paths or told.paths, **more))
