"""What is written as JSON, whatever came from the network: strict, printable, and no longer than is read."""

import json
import unicodedata
from collections.abc import Iterator

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from preflight.text import LONGEST_TEXT, to_json

HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
# Of every kind of character, and of what the writer of JSON sets a backslash before.
TEXTS = st.text(st.characters() | st.sampled_from('"\\\x1b\x7f\u2028\u202e\xa0\ud800'), max_size=20)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=20,
)


def strings(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, list):
        for inner in value:
            yield from strings(inner)
    elif isinstance(value, dict):
        yield from value
        yield from strings(list(value.values()))


def refused(word: str) -> None:
    raise AssertionError(f"{word} is no JSON")


def is_shown(text: str) -> bool:
    return len(text) <= LONGEST_TEXT and not any(unicodedata.category(c) in HIDDEN for c in text)


@pytest.mark.parametrize("indent", [None, 2])
@given(value=VALUES)
@example(value={"\x1b[2J": ["\u202egnp", "\ud800", "a\x7fb", "\x00"]})
@example(value=["x" * (LONGEST_TEXT + 1), '"' * (LONGEST_TEXT + 1), "\\" * (LONGEST_TEXT + 1)])
@example(value=['say "this"', "a\\b", "12\xa0345", "µs → …"])
@example(value=[float("nan"), float("-inf")])
def test_whatever_is_written_is_strict_json_of_printable_text(indent, value):
    told = json.loads(to_json(value, indent), parse_constant=refused)
    assert all(map(is_shown, strings(told)))
    if all(map(is_shown, strings(value))) and "nan" not in repr(value) and "inf" not in repr(value):
        assert told == value  # nothing else is changed


def test_the_longest_text_stays_whole():
    longest = '"' + "x" * (LONGEST_TEXT - 1)
    assert json.loads(to_json([longest])) == [longest]
    assert json.loads(to_json([longest + "x"])) == [longest[:-1] + "…"]
