"""One flow as the tally tells it, to be changed by `replace`: ten broadcasts of a box, one each tenth of a
second."""

from preflight.tally.facts import Flow
from tests.tally.captures import BROADCAST, mac

FLOW = Flow(
    source=mac(5), destination=BROADCAST, cast="broadcast", discovery=False, ethertype=0x88B5, vlan=None, protocol=None,
    source_port=0, destination_port=0, source_ip="", destination_ip="", hops_left=None, broken=False, frames=10, bytes=840,
    first_frame=1, first_s=0.0, last_s=0.9, most_in_1s=10, most_in_1s_at_s=0.0, bins=8, bin_mean=1.0, bin_deviation=0.0,
    changes=9, distinct=10, repeats=None, cut=0, sequence_steps=0, numbered=False, dscp=None, pcp=None, other_marks=0,
    shortest=60, longest=60, runts=0, giants=0, pause_most_quanta=0, pause_sum_quanta=0,
)  # fmt: skip
