"""A glance at the links during a show keeps what only the whole question tells."""

from dataclasses import replace

from preflight.host.facts import Adapter, Address, Counters, HostFacts, Power
from preflight.host.glance import glance, renewed

AUDIO = Adapter(
    "en7", "ethernet", carrier=True, speed_mbps=1000, duplex="full", bus="usb", eee="off",
    addresses=(Address("192.0.2.10", 24, "static"),), counters=Counters(rx_frames=1),
)  # fmt: skip
BEFORE = HostFacts("Darwin", (AUDIO, Adapter("en0")), sharing=False, power=Power(True))


def test_the_link_is_new_and_the_rest_stays():
    quick = Adapter(
        "en7",
        carrier=False,
        speed_mbps=100,
        addresses=(Address("192.0.2.10", 24),),
        counters=Counters(rx_frames=9),
    )
    now = renewed(BEFORE, HostFacts("Darwin", (quick, Adapter("en9"))))
    assert now.adapters == (
        replace(AUDIO, carrier=False, speed_mbps=100, counters=Counters(rx_frames=9)), Adapter("en9"),
    )  # fmt: skip
    assert (now.sharing, now.power) == (False, Power(True))


def test_what_is_not_told_this_time_is_no_change():
    assert renewed(BEFORE, HostFacts("Darwin", (Adapter("en7"),))).adapter("en7").carrier is True


def test_on_this_computer_it_tells_the_adapters():
    assert {each.name for each in glance(BEFORE).adapters}
