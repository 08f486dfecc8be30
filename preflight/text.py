"""Cleaning text that came from the network, a file name or the operating system.

Everything that is shown goes through `clean` once, where it enters the facts, so that no control character,
escape sequence, direction override or lone surrogate reaches a terminal, a page or a JSON reader. What is
written as JSON is strict JSON in valid Unicode: every string is cleaned once more, and a number that JSON has
no word for becomes null.
"""

import json
import math
import re
import unicodedata
from collections.abc import Iterable, Mapping

LONGEST_TEXT = 2000  # in JSON
_LONG = re.compile(rf'"[^"]{{{LONGEST_TEXT + 1}}}')
_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def clean(text: str | bytes, limit: int = 80) -> str:
    """Printable text of at most `limit` characters; whatever is not printable becomes U+FFFD."""
    if isinstance(text, bytes):
        text = text.decode("utf-8", "replace")
    cut = text[: limit + 1]
    shown = cut if cut.isascii() and cut.isprintable() else _shown(cut)
    return shown if len(text) <= limit else shown[: limit - 1] + "…"


def _shown(text: str) -> str:
    return "".join("\ufffd" if unicodedata.category(c) in _HIDDEN else c for c in text)


def to_json(value: object, indent: int | None = 2) -> str:
    text = _ready(value)
    if text is None:
        value = plain(value)
    elif indent is None:
        return text
    return json.dumps(value, indent=indent, ensure_ascii=False, allow_nan=False)


def _ready(value: object) -> str | None:
    """The JSON of `value` as it stands, None where anything in it may have to be cleaned. Nearly nothing has
    to be, and to look through the written text takes a tenth of the time."""
    try:
        text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError):  # what JSON has no word for
        return None
    # Control characters are written by a backslash; a quotation mark is the only other that has one.
    written = text.replace('\\"', "'")
    if not written.isprintable() or "\\" in written or _LONG.search(written):
        return None
    return text


def plain(value: object) -> object:
    """`value` in nothing but what JSON has."""
    kind = type(value)
    # Of a result's thousands of values nearly all are of these; asking what else one may be takes longer.
    if kind is str:
        return clean(value, LONGEST_TEXT)  # type: ignore[arg-type]
    if kind is int or kind is bool or value is None:
        return value
    if kind is list or kind is tuple:
        return [plain(inner) for inner in value]  # type: ignore[attr-defined]
    item = getattr(value, "item", None)  # NumPy's numbers
    if callable(item):
        value = item()
    if isinstance(value, int):  # an enum
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict | Mapping):
        return {clean(str(key), LONGEST_TEXT): plain(inner) for key, inner in value.items()}
    if isinstance(value, set | frozenset):
        return sorted((plain(inner) for inner in value), key=str)
    if isinstance(value, Iterable) and not isinstance(value, str | bytes):
        return [plain(inner) for inner in value]
    return clean(value if isinstance(value, bytes) else str(value), LONGEST_TEXT)
