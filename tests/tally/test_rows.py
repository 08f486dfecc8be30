"""Facts read out of rows: by the names of columns, with what may be None, and addresses as text."""

from dataclasses import dataclass
from types import ModuleType

import pytest

from preflight.tally.rows import ip_text, mac_text, reader

TABLE = ModuleType("table")
TABLE.__dict__.update(V_FRAMES=0, V_FIRST_NS=1, V_OWN=2, V_SEEN_FRAME=3, V_MARK=4, V_SEEN_NS=5, W_OTHER=0)


@dataclass(frozen=True)
class Row:
    frames: int
    first_s: float
    own: bool
    seen_frame: int | None
    mark: int | None
    seen_s: float | None
    name: str = "none given"


read = reader(Row, TABLE, "V_")


def test_each_field_from_the_column_of_its_name():
    row = read([7, 1_500_000_000, 3, 9, 46, 2_250_000_000, 99])
    assert row == Row(7, 1.5, True, 9, 46, 2.25) and row.own is True
    assert read([0, 0, 0, 1, 0, 0]) == Row(0, 0.0, False, 1, 0, 0.0)


def test_what_may_be_none_is_below_zero_and_a_frame_is_none_at_zero():
    """Frames count from 1. What may not be None is read as it stands."""
    assert read([-1, -1, 0, 0, -1, -1]) == Row(-1, -1e-9, False, None, None, None)


def test_what_is_given_goes_before_the_row():
    assert read([7, 0, 0, 1, 1, 0], name="given", frames=8) == Row(8, 0.0, False, 1, 1, 0.0, "given")


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0, ""),
        (1, "00:00:00:00:00:01"),
        (0x5E005305, "00:00:5e:00:53:05"),
        ((1 << 48) - 1, "ff:ff:ff:ff:ff:ff"),
    ],
)
def test_hardware_addresses(number, text):
    assert mac_text(number) == text


@pytest.mark.parametrize(
    ("version", "words", "text"),
    [
        (4, [0xC0000209, 1, 1, 1], "192.0.2.9"),
        (4, [0, 0, 0, 0], "0.0.0.0"),
        (6, [0x20010DB8, 0, 0, 1], "2001:db8::1"),
        (6, [0x20010DB8, 0x00020003, 0x00040005, 0x00060007], "2001:db8:2:3:4:5:6:7"),
        (0, [1, 1, 1, 1], ""),
        (5, [1, 1, 1, 1], ""),
        (7, [1, 1, 1, 1], ""),
    ],
)
def test_ip_addresses_out_of_words(version, words, text):
    assert ip_text(version, words) == text
