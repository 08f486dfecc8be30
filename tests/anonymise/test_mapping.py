"""What the replacements keep: makers, prefixes, kinds of networks, order where it decides; and that no two
become one."""

from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.anonymise import kernels as k
from preflight.anonymise.cover import SPECIAL, Cover
from preflight.anonymise.key import as_words, kept_key
from preflight.checks.wire.house_network import outside

COVER = Cover(as_words(bytes(range(16))))
ip4 = st.integers(0, (1 << 32) - 1)
ip6 = st.integers(0, (1 << 128) - 1)
macs = st.binary(min_size=6, max_size=6)


def test_the_secret_function_is_siphash():
    """The reference implementation's vector for the message 00 01 ... 0f under the key 00 01 ... 0f."""
    key = as_words(bytes(range(16)))
    vector = int.from_bytes(bytes.fromhex("db9bc2577fcc2a3f"), "little")
    assert k.secret(key, 0x0706050403020100, 0x0F0E0D0C0B0A0908) == vector & k.MASK62


def common(a: int, b: int, bits: int) -> int:
    return bits - (a ^ b).bit_length()


def turned4(value: int) -> int:
    return int.from_bytes(COVER.ip4(value.to_bytes(4)))


@given(ip4, ip4)
def test_ipv4_addresses_share_as_long_a_prefix_as_before(a, b):
    assert common(turned4(a), turned4(b), 32) == common(a, b, 32)


@given(ip4, st.integers(0, 31))
def test_ipv4_neighbours_too(a, bit):
    b = a ^ (1 << bit)
    assert common(turned4(a), turned4(b), 32) == common(a, b, 32)


@given(ip6, ip6.map(lambda low: low & ((1 << 64) - 1)))
def test_ipv6_hosts_of_a_network_stay_in_one(a, low):
    b = (a >> 64 << 64) | low
    one, other = (IPv6Address(COVER.ip6(each.to_bytes(16))) for each in (a, b))
    if not IPv6Address(a).is_multicast and a > 1 and b > 1:
        assert int(one) >> 64 == int(other) >> 64
    assert (one == other) == (a == b)


@given(st.one_of(ip4.map(IPv4Address), ip6.map(IPv6Address)))
def test_an_address_stays_of_its_kind(address):
    turn = COVER.ip4 if address.version == 4 else COVER.ip6
    new = type(address)(turn(address.packed))
    for kind in (
        "is_private",
        "is_multicast",
        "is_link_local",
        "is_loopback",
        "is_unspecified",
        "is_reserved",
    ):
        assert getattr(new, kind) == getattr(address, kind), kind
    assert outside(str(new)) == outside(str(address))


@pytest.mark.parametrize(
    "text",
    [
        "192.0.2.255",
        "255.255.255.255",
        "0.0.0.0",
        "127.0.0.1",
        "224.0.0.251",
        "233.252.0.7",
        "ff02::fb",
        "::",
        "::1",
    ],
)
def test_what_stays(text):
    assert COVER.address_text(text) == text


@given(macs, macs)
def test_hardware_addresses_keep_their_maker_and_stay_apart(a, b):
    assert COVER.mac(a)[:3] == a[:3]
    assert (COVER.mac(a) == COVER.mac(b)) == (a == b)


@pytest.mark.parametrize(
    "text",
    ["ff:ff:ff:ff:ff:ff", "01:00:5e:90:10:01", "33:33:00:00:00:fb", "00:00:5e:00:01:07", "00:00:00:00:00:00"],
)
def test_groups_and_shared_addresses_stay(text):
    assert COVER.mac_text(text) == text


def test_what_is_made_of_a_hardware_address_follows_it():
    mac = bytes.fromhex("00005e005301")
    new = COVER.mac(mac)
    eui = bytes.fromhex("02005efffe") + mac[3:]
    assert (
        COVER.ip6(bytes.fromhex("fe80000000000000") + eui)
        == bytes.fromhex("fe8000000000000002005efffe") + new[3:]
    )
    assert COVER.mac(bytes.fromhex("3333ff") + mac[3:]) == bytes.fromhex("3333ff") + new[3:]
    assert COVER.ip6(IPv6Address("ff02::1:ff00:5301").packed)[-3:] == new[3:]
    assert COVER.eui(bytes.fromhex("00005efffe") + mac[3:]) == bytes.fromhex("00005efffe") + new[3:]


@given(
    st.lists(ip4, min_size=2, max_size=8, unique=True), st.lists(macs, min_size=2, max_size=8, unique=True)
)
def test_the_order_stays_where_the_lower_wins(queriers, bridges):
    cover = Cover(COVER.key)
    bridges = [b"\0\0\x5e" + each[3:] for each in bridges]
    cover.rank(bridges, map(IPv4Address, queriers))
    turned = [cover.ip4(each.to_bytes(4)) for each in sorted(queriers)]
    assert turned == sorted(turned)
    assert [cover.mac(each) for each in sorted(bridges)] == sorted(map(cover.mac, bridges))
    a, b = queriers[:2]
    assert common(*(int.from_bytes(cover.ip4(each.to_bytes(4))) for each in (a, b)), 32) == common(a, b, 32)


@given(st.lists(st.binary(min_size=1, max_size=30), unique_by=bytes.lower, max_size=20))
def test_names_are_as_long_and_stay_apart(names):
    cover = Cover(COVER.key)
    turned = {name: cover.name(name) for name in names if name.strip(b"\0 ")}
    assert all(len(new) == len(old) and new != old.lower() for old, new in turned.items())
    long = [new for new in turned.values() if len(new) > 2]
    assert len(set(long)) == len(long)


def test_another_key_replaces_otherwise():
    other = Cover(as_words(bytes(16)))
    assert other.mac(b"\0\0\x5e\0\x53\1") != COVER.mac(b"\0\0\x5e\0\x53\1")
    assert other.name(b"stage left") != COVER.name(b"stage left")


def test_the_key_is_kept_for_its_user_alone(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    first, kept = kept_key()
    again, _ = kept_key()
    (file,) = (tmp_path / "data").rglob("*.key")
    assert kept and list(first) == list(again) and file.stat().st_mode & 0o777 == 0o600
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    other, kept = kept_key()
    assert not kept and list(other) != list(first)


@given(st.sampled_from(SPECIAL), ip6)
def test_an_address_of_a_special_network_stays_in_it(text, number):
    network = ip_network(text)
    address = network.network_address + number % network.num_addresses
    assert ip_address(COVER.address_text(str(address))) in network
