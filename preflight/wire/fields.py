"""What the fields of a control message hold: how each is read, and how it is covered where a capture is
handed over.

Strategy: the file of each protocol names its fields once, in a table from code to `Form`. Its reader and
`preflight.anonymise` both walk that table. Covered, a field is as long as before; what no table knows is
scrambled, and so is everything from the place on where a message makes no sense.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any, Protocol

from preflight.text import clean


class Hand(Protocol):
    """What replaces: bytes for as many bytes."""

    def mac(self, raw: bytes) -> bytes: ...
    def eui(self, raw: bytes) -> bytes: ...
    def ip4(self, raw: bytes) -> bytes: ...
    def ip6(self, raw: bytes) -> bytes: ...
    def scramble(self, raw: bytes) -> bytes: ...
    def name(self, raw: bytes) -> bytes: ...
    def port(self, raw: bytes) -> bytes: ...
    def text(self, raw: bytes, keep: re.Pattern[bytes] | None = None) -> bytes: ...
    def address_text(self, text: str) -> str: ...


Covered = Callable[[bytes, Hand], bytes]


@dataclass(frozen=True)
class Form:
    """What a field holds."""

    cover: Covered
    read: Callable[[bytes], Any] = bytes


def shown(raw: bytes) -> str:
    return clean(raw.rstrip(b"\0"))


def _split(raw: bytes, size: int) -> list[bytes]:
    return [raw[at : at + size] for at in range(0, len(raw), size)]


def _addresses(size: int, replace: Callable[[Hand], Callable[[bytes], bytes]]) -> Form:
    """Addresses one after another, read as a tuple of texts; a part of one is passed over."""

    def cover(raw: bytes, hand: Hand) -> bytes:
        return b"".join(map(replace(hand), _split(raw, size))) if len(raw) % size == 0 else hand.scramble(raw)

    return Form(
        cover, lambda raw: tuple(str(ip_address(each)) for each in _split(raw, size) if len(each) == size)
    )


KEPT = Form(lambda raw, _: raw)
SCRAMBLED = Form(lambda raw, hand: hand.scramble(raw))
ZEROED = Form(lambda raw, _: bytes(len(raw)))
NUMBER = Form(lambda raw, hand: raw if len(raw) <= 4 else hand.scramble(raw), int.from_bytes)
NAME = Form(lambda raw, hand: hand.name(raw), shown)
PORT = Form(lambda raw, hand: hand.port(raw), shown)
MAC = Form(
    lambda raw, hand: hand.mac(raw) if len(raw) == 6 else hand.scramble(raw), lambda raw: raw[:6].hex(":")
)
IP4 = _addresses(4, lambda hand: hand.ip4)
IP6 = _addresses(16, lambda hand: hand.ip6)


def words(keep: re.Pattern[bytes]) -> Form:
    """A text of which `keep` stays."""
    return Form(lambda raw, hand: hand.text(raw, keep), shown)


def chosen(choose: Callable[[bytes], tuple[int, Form]]) -> Form:
    """A field that tells itself what it holds: `choose` says after how many bytes, and which form. These
    bytes stay."""

    def cover(raw: bytes, hand: Hand) -> bytes:
        size, form = choose(raw)
        return raw[:size] + form.cover(raw[size:], hand)

    def read(raw: bytes) -> Any:
        size, form = choose(raw)
        return form.read(raw[size:])

    return Form(cover, read)


def after(size: int, form: Form = SCRAMBLED) -> Form:
    return chosen(lambda _: (size, form))


def parts(*each: tuple[int, Form], rest: Form = SCRAMBLED) -> Form:
    """Parts of these lengths, and the rest; read as a list."""

    def cut(raw: bytes) -> Iterator[tuple[bytes, Form]]:
        at = 0
        for size, form in each:
            yield raw[at : at + size], form
            at += size
        yield raw[at:], rest

    return Form(
        lambda raw, hand: b"".join(form.cover(part, hand) for part, form in cut(raw)),
        lambda raw: [form.read(part) for part, form in cut(raw)],
    )


def _labels(raw: bytes, hand: Hand) -> bytes:
    """Names in labels, one after another and without pointers (RFC 1035 section 3.1)."""
    out, at = b"", 0
    while at < len(raw):
        end = at + 1 + raw[at]
        if raw[at] >= 64 or end > len(raw):
            return out + hand.scramble(raw[at:])
        out += raw[at : at + 1] + hand.name(raw[at + 1 : end])
        at = end
    return out


LABELS = Form(_labels)


@dataclass(frozen=True)
class Fields:
    """Fields one after another. `head` takes up to four bytes, and gives a field's code, the length of its
    head and of its value; None where they make no head. `last` is the code of an empty field that ends them,
    `rest` what follows then or where a field is cut."""

    head: Callable[[bytes], tuple[int, int, int] | None]
    table: Mapping[int, Form]
    last: int = -1
    rest: Form = SCRAMBLED

    def _walk(self, data: bytes) -> Iterator[tuple[int, int, int, int]]:
        """Code, where head and value start, and the end: up to the first that is not whole."""
        at = 0
        while found := self.head(data[at : at + 4]):
            code, head, size = found
            if size < 0 or at + head + size > len(data):
                return
            yield code, at, at + head, at + head + size
            at += head + size
            if code == self.last and not size:
                return

    def read(self, data: bytes) -> Iterator[tuple[int, Any]]:
        """Code and value of each field in the table that is not empty."""
        for code, _, start, end in self._walk(data):
            if code in self.table and start < end:
                yield code, self.table[code].read(data[start:end])

    def first(self, data: bytes) -> dict[int, Any]:
        """The first value of each code."""
        return dict(reversed([*self.read(data)]))

    def cover(self, data: bytes, hand: Hand) -> bytes:
        out = b""
        for code, at, start, end in self._walk(data):
            out += data[at:start] + self.table.get(code, SCRAMBLED).cover(data[start:end], hand)
        return out + self.rest.cover(data[len(out) :], hand)


def head_of_four(head: bytes) -> tuple[int, int, int] | None:
    """Two bytes of code, two of the value's length."""
    return (int.from_bytes(head[:2]), 4, int.from_bytes(head[2:])) if len(head) == 4 else None
