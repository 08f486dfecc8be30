"""What each zip replaced by what, kept for the sender alone: so that the device of which the support desk
speaks can be found.

One file for each zip in the user's data folder, readable for the user only, as the key is, and never in
anything that is sent. It also tells which captures the zip was made of: their frames have the same numbers.
"""

import json
import os
import re
import secrets
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, fields, is_dataclass
from ipaddress import ip_address
from pathlib import Path

from preflight.anonymise import kernels as k
from preflight.anonymise.cover import Cover
from preflight.anonymise.key import data_folder
from preflight.facts import Facts
from preflight.tally.facts import RtpStream

MOST_KEPT = 200  # zips; the oldest go first
MOST_ENTRIES = 50_000
MAC = re.compile(r"[0-9a-f]{2}([:-])[0-9a-f]{2}(\1[0-9a-f]{2}){4}")
CLOCK = re.compile(r"[0-9a-f]{16}")  # a clock's identity, IEEE 1588


@dataclass(frozen=True)
class Kept:
    """Of one zip: its path, when it was made (RFC 3339), of which captures, and what stands in it for what.
    `devices` says by real hardware address how a device calls itself."""

    zip: str
    made: str
    captures: tuple[str, ...]
    originals: dict[str, str]
    devices: dict[str, str]


def originals_of(heard: Iterable[Facts], cover: Cover) -> dict[str, str]:
    """What was replaced, by its replacement: addresses and clocks of all facts, synchronisation sources of
    streams, names."""
    found: dict[str, str] = {new: old for old, new in cover.names() if new != old}
    for facts in heard:
        for text in _texts((facts.tally, tuple(facts.wire.values()), facts.host)):
            if len(found) >= MOST_ENTRIES:
                return found
            new = _replaced(text, cover)
            if new is not None and new != text:
                found[new] = text
        for stream in facts.tally.streams if facts.tally else ():
            found[_source(stream, cover)] = f"{stream.ssrc:08x}"
    return found


def _replaced(text: str, cover: Cover) -> str | None:
    if MAC.fullmatch(text):
        return cover.mac_text(text)
    if CLOCK.fullmatch(text):
        return cover.eui(bytes.fromhex(text)).hex()
    try:
        return cover.address_text(text) if "." in text or ":" in text else None
    except ValueError:
        return None


def _source(stream: RtpStream, cover: Cover) -> str:
    return f"{k.image(stream.ssrc, 0, 0, k.T_SSRC, cover.key, cover.pins, cover.known):08x}"


def _texts(value: object) -> Iterator[str]:
    """Every text in facts, wherever."""
    if isinstance(value, str):
        yield value
    elif is_dataclass(value):
        for each in fields(value):
            yield from _texts(getattr(value, each.name))
    elif isinstance(value, Mapping):
        for inner in value.values():
            yield from _texts(inner)
    elif isinstance(value, tuple | list | set | frozenset):
        for inner in value:
            yield from _texts(inner)


def keep(kept: Kept) -> bool:
    """Write it down; False where that cannot be done."""
    try:
        folder = _folder()
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        name = f"{re.sub('[^0-9]', '', kept.made)[:14]}-{secrets.token_hex(4)}.json"
        raw = os.open(folder / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(raw, "w", encoding="utf-8") as file:
            json.dump(asdict(kept), file, ensure_ascii=True)
        for old in sorted(folder.glob("*.json"))[:-MOST_KEPT]:
            with suppress(OSError):
                old.unlink()
    except OSError:
        return False
    return True


def who(asked: str) -> list[tuple[str, Kept]]:
    """What stands for `asked` in the zips made here, the last one first."""
    wanted = _plain(asked)
    found = []
    try:
        files = sorted(_folder().glob("*.json"), reverse=True)
    except OSError:
        files = []
    for file in files:
        with suppress(OSError, ValueError, TypeError, KeyError):
            kept = Kept(**json.loads(file.read_text(encoding="utf-8")))
            if wanted in kept.originals:
                found.append((kept.originals[wanted], kept))
    return found


def _plain(text: str) -> str:
    """As the table writes it: people copy addresses in any dress."""
    text = text.strip().strip(".,;()[]").lower()
    if MAC.fullmatch(text):
        return text.replace("-", ":")
    with suppress(ValueError):
        return str(ip_address(text))
    return text


def _folder() -> Path:
    return data_folder() / "handovers"
