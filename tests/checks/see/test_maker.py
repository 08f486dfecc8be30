"""Makers of devices beside netaddr's own reading of the IEEE registry."""

import pytest
from netaddr import EUI

from preflight.checks.see.maker import maker
from preflight.text import clean

ADDRESSES = [
    "00:00:5e:00:53:01",
    "00:00:00:00:00:01",
    "08:00:20:01:02:03",
    "10:e9:92:00:00:01",
    "a0:36:9f:85:6e:8a",
]


@pytest.mark.parametrize("mac", ADDRESSES)
def test_the_maker_is_the_one_that_netaddr_reads(mac: str) -> None:
    assert maker(mac) == clean(EUI(mac).oui.registration().org, 40) != ""


@pytest.mark.parametrize("mac", ["", "fc:ff", "xx:yy:zz:00:00:00", "00:00:5g:00:00:00"])
def test_what_is_no_address_has_no_maker(mac: str) -> None:
    assert maker(mac) == ""


def test_a_made_up_address_is_told() -> None:
    assert maker("02:00:5e:00:53:01") == "random address"


def test_of_many_makers_each_is_read_the_same() -> None:
    """Many are read from an index of the registry."""
    many = [f"00:00:{n:02x}:00:00:00" for n in range(64)]
    assert len({maker(mac) for mac in many}) > 32
    for mac in many:
        assert maker(mac) == clean(EUI(mac).oui.registration().org, 40)
