"""Names and addresses that two devices have or seem to have; routers that ask for group members."""

from tests.checks.wire.test_name_clash import mdns, switch
from tests.lab import frames as raw
from tests.situations import rigs
from tests.situations.rigs import Frames, mac
from tests.situations.table import NOT_ALARMED, READY, faulty, healthy, span
from tests.wire import groups

NAMES = ("name-clash", "address-clash")


def _here(random, *devices: int, end_s: float = 15.0) -> list[Frames]:
    return [rigs.talk(span(random, end_s), n, per_s=0.5) for n in devices]


# -- in order ------------------------------------------------------------------------------------------------


@healthy("boxes of one kind: stage, stage-2, stage-3 by mDNS", READY)
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [mdns(n, name, 1.0 + n / 50) for n, name in ((11, "stage"), (60, "stage-2"), (90, "stage-3"))]
    yield from _here(random, 11, 60, 90)


@healthy("one box with two ports of one name", NOT_ALARMED, NAMES)
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [mdns(n, "stage", 1.0 + n / 50) for n in (11, 12)]
    yield from _here(random, 11, 12)


@healthy("a switch tells its name from several ports", NOT_ALARMED, ("name-clash",))
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [switch(n, b"foh-switch", 1.0 + n / 50, chassis=90) for n in (11, 60)]


@healthy("a spare takes the name and the address of a box that was switched off", NOT_ALARMED, NAMES)
def _(random):
    yield from rigs.playing(random, 25.0)
    yield [mdns(11, "stage", 1.0), mdns(11, "stage", 15.0, sender=60)]
    yield rigs.talk(span(random, 8.0), 11, per_s=0.5)
    yield [(at, raw.arp(mac(60), rigs.ip(11), rigs.ip(11))) for at in (14.0, 16.0)]


@healthy("a sleep proxy tells the name of a box that sleeps", NOT_ALARMED, NAMES)
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [mdns(11, "stage", 1.0), mdns(11, "stage", 5.0, sender=60)]
    yield from _here(random, 11, 60)


@healthy("a computer with two addresses at one adapter", NOT_ALARMED, NAMES)
def _(random):
    yield from rigs.playing(random, 15.0)
    s = span(random, 15.0)
    yield s.every(3.0, raw.arp(mac(11), rigs.ip(11), rigs.ip(201)))
    yield s.every(3.0, raw.arp(mac(11), rigs.ip(111), rigs.ip(202)))
    yield [mdns(11, "desk", at, rigs.ip(11), rigs.ip(111)) for at in (1.0, 6.0)]


@healthy(
    "a switch with the first address of the subnet asks for members and answers ARP",
    NOT_ALARMED,
    ("multicast-control", "house-network"),
)
def _(random):
    from tests.wire.samples import bpdu

    yield from rigs.playing(random, 60.0)
    s = span(random, 60.0)
    yield s.every(20.0, groups.query(9, version=2, source="192.0.2.1"), phase=False)
    yield ((at, frame[:6] + raw.mac_bytes(mac(8)) + frame[12:]) for at, frame in s.every(2.0, bytes(bpdu())))
    yield [
        (at, raw.arp(mac(9), rigs.ip(1), rigs.ip(201), reply_to=mac(201))) for at in (5.0, 15.0, 25.0, 35.0)
    ]
    for n, group in ((203, "233.252.0.201"), (204, "233.252.0.202")):
        yield s.every(20.0, groups.report(n, group, version=2))


# -- wrong ---------------------------------------------------------------------------------------------------


@faulty("two devices of one name by mDNS", troubles=("name-clash",))
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [mdns(n, "stage", 1.0 + n / 50) for n in (11, 60)]
    yield from _here(random, 11, 60)


@faulty("two switches of one name by LLDP", troubles=("name-clash",))
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [switch(n, b"stage-switch", 1.0 + n / 50) for n in (11, 60)]
    yield from _here(random, 11, 60)


@faulty("two devices ask for an address under one name", troubles=("name-clash",))
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [(1.0 + n / 50, raw.dhcp_discover(mac(n), n, "stage")) for n in (11, 60)]
    yield from _here(random, 11, 60)


@faulty("a device had to number its name", troubles=("name-clash",))
def _(random):
    yield from rigs.playing(random, 15.0)
    yield [mdns(11, "stage", 1.0), mdns(60, "stage", 4.0), mdns(60, "stage-2", 4.5)]
    yield from _here(random, 11, 60)


@faulty("a copied hardware address: two devices in one, and one asks for the other", fails=("address-clash",))
def _(random):
    yield from rigs.playing(random, 15.0)
    s = span(random, 15.0)
    yield s.every(4.0, raw.arp(mac(11), rigs.ip(11), rigs.ip(201)))
    yield s.every(4.0, raw.arp(mac(11), rigs.ip(60), rigs.ip(202)))
    yield [(9.0, raw.arp(mac(11), rigs.ip(11), rigs.ip(60)))]


@faulty("a copied hardware address: it calls itself by two names in turn", troubles=("address-clash",))
def _(random):
    yield from rigs.playing(random, 15.0)
    for n, name, at in ((11, "foh", 1.0), (60, "stage", 2.0), (11, "foh", 5.0), (60, "stage", 7.0)):
        _, frame = mdns(n, name, at)
        yield [(at, frame[:6] + raw.mac_bytes(mac(11)) + frame[12:])]


def _asked_by_a_router(random, source: str) -> Frames:
    s = span(random, 60.0)
    yield from s.every(20.0, groups.query(66, version=2, source=source), phase=False)
    for n, group in ((203, "233.252.0.201"), (204, "233.252.0.202")):
        yield from s.every(20.0, groups.report(n, group, version=2))


@faulty("the IGMP querier is a house router that says so", troubles=("multicast-control",))
def _(random):
    yield from rigs.playing(random, 60.0)
    yield _asked_by_a_router(random, rigs.ip(66))
    yield span(random, 60.0).every(20.0, lambda n: raw.gateway_notify(mac(66), rigs.ip(66), n))


@faulty("the IGMP querier asks from another subnet than the devices have", troubles=("multicast-control",))
def _(random):
    yield from rigs.playing(random, 60.0)
    yield _asked_by_a_router(random, "198.51.100.1")
    yield from _here(random, 11, 12, end_s=60.0)


@faulty("a gateway that only answers ARP", troubles=("house-network",))
def _(random):
    yield from rigs.playing(random, 40.0)
    for at in (5.0, 15.0, 25.0, 35.0):
        yield rigs.says(
            at,
            raw.arp(mac(201), rigs.ip(201), rigs.ip(1)),
            raw.arp(mac(66), rigs.ip(1), rigs.ip(201), reply_to=mac(201)),
        )
