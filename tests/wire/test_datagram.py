"""Where the datagram in a frame begins and ends."""

from scapy.layers.inet6 import IPv6ExtHdrDestOpt, IPv6ExtHdrFragment

from preflight.wire.datagram import datagram
from tests.wire.samples import CLIENT, IP, SERVER, UDP, Ether, IPv6, Raw, picked

LINK = Ether(src=SERVER, dst=CLIENT)  # both given, or Scapy would ask the network for them
ENDS = {"src": "192.0.2.1", "dst": "192.0.2.2"}
ENDS6 = {"src": "2001:db8::1", "dst": "2001:db8::2"}


def test_padding_is_no_data():
    frame = bytes(LINK / IP(**ENDS) / UDP(sport=5, dport=6) / Raw(b"abc")).ljust(60, b"\0")
    found = datagram(picked(frame))
    assert (found.source, found.data) == ("192.0.2.1", b"abc")


def test_a_later_fragment_has_no_ports():
    assert datagram(picked(LINK / IP(**ENDS, frag=185, proto=17) / Raw(bytes(40)))) is None
    later = IPv6(**ENDS6) / IPv6ExtHdrFragment(nh=17, offset=185) / Raw(bytes(40))
    assert datagram(picked(LINK / later)) is None


def test_options_and_extension_headers_stand_before_it():
    with_options = LINK / IP(**ENDS, options=[b"\x94\x04\0\0"]) / UDP(dport=6) / Raw(b"abc")
    assert datagram(picked(with_options)).data == b"abc"
    extended = IPv6(**ENDS6) / IPv6ExtHdrDestOpt() / IPv6ExtHdrFragment(m=1) / UDP(dport=6) / Raw(b"abc")
    found = datagram(picked(LINK / extended))
    assert (found.source, found.data) == ("2001:db8::1", b"abc")


def test_other_protocols_and_cut_headers():
    frame = bytes(LINK / IP(**ENDS) / UDP() / Raw(b"abc"))
    assert datagram(picked(frame[:40])) is None
    assert datagram(picked(LINK / IP(**ENDS, proto=6) / Raw(bytes(40)))) is None
