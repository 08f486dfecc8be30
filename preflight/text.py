"""Cleaning text that came from the network, a file name or the operating system.

Everything that is shown goes through `clean` once, where it enters the facts, so that no control character,
escape sequence, direction override or lone surrogate reaches a terminal, a page or a JSON reader.
"""

import unicodedata

_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def clean(text: str | bytes, limit: int = 80) -> str:
    """Printable text of at most `limit` characters; whatever is not printable becomes U+FFFD."""
    if isinstance(text, bytes):
        text = text.decode("utf-8", "replace")
    cut = text[: limit + 1]
    shown = "".join("\ufffd" if unicodedata.category(c) in _HIDDEN else c for c in cut)
    return shown if len(text) <= limit else shown[: limit - 1] + "…"
