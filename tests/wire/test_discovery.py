"""mDNS and SSDP: what is announced, told from what is only asked for."""

import pytest

from preflight import wire
from tests.wire import samples
from tests.wire.samples import picked


def test_an_announcement_tells_services_instances_and_names():
    fact = wire.read("mdns", picked(samples.announcement("_http._tcp.local.")))
    assert fact.response and fact.source == "192.0.2.77"
    assert fact.services == ("_http._tcp.local.",)
    assert fact.instances == ("Monitors._http._tcp.local.",)
    assert fact.hostnames == ("monitors.local.",)


def test_what_an_asker_has_heard_is_not_its_own():
    fact = wire.read("mdns", picked(samples.question()))
    assert not fact.response
    assert fact.services == fact.instances == fact.hostnames == ()


def test_a_farewell_announces_nothing():
    fact = wire.read("mdns", picked(samples.announcement(ttl=0)))
    assert fact.services == fact.instances == fact.hostnames == ()


def test_names_that_point_at_themselves_end():
    """RFC 1035 section 4.1.4 lets names point to earlier ones; a hostile one points to itself."""
    answer = bytes.fromhex("0000840000000001 00000000 c00c 000c 0001 00000078 0002 c00c".replace(" ", ""))
    frame = samples.mdns(samples.Raw(answer))
    assert type(wire.read("mdns", picked(frame))).__name__ in ("MdnsMessage", "Malformed")


@pytest.mark.parametrize(
    ("frame", "kind", "gateway", "access_point"),
    [
        (samples.notify(), "NOTIFY", True, False),
        (samples.notify("WANConnectionDevice", "HTTP/1.1 200 OK", "ST"), "RESPONSE", True, False),
        (samples.notify("WLANAccessPointDevice"), "NOTIFY", False, True),
        (samples.notify(start="M-SEARCH * HTTP/1.1", field="ST"), "M-SEARCH", False, False),
        (samples.notify("MediaRenderer"), "NOTIFY", False, False),
    ],
)
def test_who_says_it_is_a_gateway(frame, kind, gateway, access_point):
    fact = wire.read("ssdp", picked(frame))
    assert (fact.kind, fact.gateway, fact.access_point) == (kind, gateway, access_point)


def test_other_text_to_the_port_is_no_ssdp():
    assert wire.read("ssdp", picked(samples.ssdp("HELLO\r\n\r\n"))) is None


def test_who_announces_the_addresses_of_others_speaks_for_them():
    from tests.checks.wire.test_name_clash import mdns as announced

    own = wire.read("mdns", picked(announced(11, "stage", 0.0)[1]))
    assert own.addresses == ("192.0.2.11",) and not own.for_another
    proxy = wire.read("mdns", picked(announced(11, "stage", 0.0, sender=60)[1]))
    assert proxy.for_another
    other_version = wire.read("mdns", picked(announced(11, "stage", 0.0, "2001:db8::11", sender=60)[1]))
    assert other_version.addresses == ("2001:db8::11",) and not other_version.for_another
