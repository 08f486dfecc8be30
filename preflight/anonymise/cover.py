"""All replacements by one key: addresses by the kernels' own functions, names by pseudonyms of the same
length.

Addresses keep what the verdict rests on: private stays private, link-local, documentation and internet
addresses each stay among themselves, groups and broadcasts stay. Where the lower address wins (IGMP queriers,
bridges, clocks), the order among those that were heard stays too: `rank` is told of them first.
"""

import hashlib
import re
from collections.abc import Callable, Iterable
from ipaddress import IPv4Address, ip_address, ip_network
from itertools import pairwise

import numpy as np

from preflight.anonymise import kernels as k
from preflight.text import clean

# Networks that stay networks of their kind, and addresses that stay: RFC 6890, IANA special-purpose address
# registries.
SPECIAL = (
    "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24", "192.0.0.0/29",
    "192.0.2.0/24", "192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24",
    "224.0.0.0/4", "240.0.0.0/4", "0.0.0.0/32", "127.0.0.1/32", "255.255.255.255/32",
    "::/64", "64:ff9b::/64", "64:ff9b:1::/48", "100::/64", "2000::/3", "2001::/23", "2001:db8::/32", "2002::/16",
    "3fff::/20", "fd00::/8", "fe80::/64",
)  # fmt: skip
KNOWN_ROWS = (1 << 14) + 1
ATTEMPTS = 64  # short names run out of pseudonyms
LETTERS = b"bcdfghjklmnpqrstvwxz"
VOWELS = b"aeiouy"
# A port's own number tells nobody's name.
PORT = re.compile(
    rb"(?:port|ports?|eth|gi|ge|te|fa|swp|lan|lag|en|xe|gigabitethernet|fastethernet|tengigabitethernet)?"
    rb"[ -]?\d{1,3}(?:[/.:]\d{1,3}){0,3}",
    re.IGNORECASE,
)


class Cover:
    """Replaces by `key` (two words of 63 bits). `pins` and `known` are what the kernels take with it."""

    def __init__(self, key: np.ndarray) -> None:
        self.key = key
        self.pins = np.array([_pin(each) for each in SPECIAL], np.int64)
        self.known = np.zeros((KNOWN_ROWS, k.KNOWN_COLUMNS), np.int64)
        self._names: dict[bytes, bytes] = {}
        self._taken: set[bytes] = set()
        self._word = hashlib.blake2b(key.tobytes(), person=b"names").digest()

    # -- addresses -----------------------------------------------------------------------------------------

    def _raw(self, raw: bytes, rewrite: Callable) -> bytes:
        block = bytearray(raw)
        rewrite(block, 0, self.key, self.pins, self.known)
        return bytes(block)

    def mac(self, raw: bytes) -> bytes:
        return self._raw(raw, k.cover_mac)

    def eui(self, raw: bytes) -> bytes:
        return self._raw(raw, k.cover_eui)

    def ip4(self, raw: bytes) -> bytes:
        return self._raw(raw, k.cover_ip4)

    def ip6(self, raw: bytes) -> bytes:
        return self._raw(raw, k.cover_ip6)

    def scramble(self, raw: bytes) -> bytes:
        block = bytearray(raw)
        k.scramble(block, 0, len(block), self.key)
        return bytes(block)

    def mac_text(self, text: str) -> str:
        return self.mac(bytes.fromhex(text.replace(":", "").replace("-", ""))).hex(":")

    def address_text(self, text: str) -> str:
        """An address, or a network as its addresses are replaced; raises ValueError for what is neither."""
        plain, slash, prefix = text.partition("/")
        plain, percent, zone = plain.partition("%")
        address = ip_address(plain)
        packed = (self.ip4 if address.version == 4 else self.ip6)(address.packed)
        if slash:
            return str(ip_network((packed, int(prefix)), strict=False))
        return str(ip_address(packed)) + (percent + self.label(zone) if percent else "")

    def rank(self, macs: Iterable[bytes], queriers: Iterable[IPv4Address]) -> None:
        """Keep the order among these hardware addresses (of one maker), and among these IPv4 addresses."""
        lows = sorted({int.from_bytes(mac[3:]) for mac in macs if not mac[0] & 1})
        images = sorted(k.shuffled(low, k.T_LOW, self.key, self.pins) for low in lows)
        rows = [(k.T_RANKED, low, image, 0) for low, image in zip(lows, images, strict=True)]
        heard = sorted(set(queriers))
        for low, high in pairwise(heard):
            same = 32 - (int(low) ^ int(high)).bit_length()  # the bit after this prefix decides
            rows.append((k.T_IP4, same, same + 1, int(high) << 31))
        if rows:
            self.pins = np.concatenate((self.pins, np.array(rows, np.int64)))
        self.known[:] = 0

    # -- names ---------------------------------------------------------------------------------------------

    def name(self, raw: bytes) -> bytes:
        """A pseudonym as long as the name, the same for all ways to write it in capitals."""
        if not raw.strip(b"\0 "):
            return raw
        known = self._names.get(folded := raw.lower())
        if known is None:
            tried = (self._pseudonym(folded, attempt) for attempt in range(ATTEMPTS))
            fit = (each for each in tried if each not in self._taken and each != folded)
            known = self._names[folded] = next(fit, None) or self._pseudonym(folded, ATTEMPTS - 1)
            self._taken.add(known)
        return known

    def names(self) -> list[tuple[str, str]]:
        """The names that were replaced so far, in small letters, with their pseudonyms."""
        return [(clean(name, 200), new.decode("ascii", "replace")) for name, new in self._names.items()]

    def _pseudonym(self, name: bytes, attempt: int) -> bytes:
        salts = (attempt.to_bytes(4) + block.to_bytes(4) for block in range(len(name) // 64 + 1))
        digest = b"".join(hashlib.blake2b(name, key=self._word, salt=salt).digest() for salt in salts)
        return bytes(
            (VOWELS[byte % len(VOWELS)] if at % 2 else LETTERS[byte % len(LETTERS)])
            for at, byte in enumerate(digest[: len(name)])
        )

    def text(self, raw: bytes, keep: re.Pattern[bytes] | None = None) -> bytes:
        """A text as long: what `keep` finds stays, and the gaps between words; every word gets a
        pseudonym."""
        out, at = b"", 0
        for found in keep.finditer(raw) if keep else ():
            out += self._words(raw[at : found.start()]) + found.group()
            at = found.end()
        return out + self._words(raw[at:])

    def _words(self, raw: bytes) -> bytes:
        return re.sub(rb"[^\0 \t\r\n.,;:/=\"()<>-]+", lambda found: self.name(found.group()), raw)

    def port(self, raw: bytes) -> bytes:
        """The name of a port: its number stays where it is nothing more."""
        return raw if PORT.fullmatch(raw.rstrip(b"\0")) else self.name(raw)

    def label(self, text: str) -> str:
        """A name in a text of our own."""
        return self.name(text.encode("utf-8", "replace")).decode("ascii", "replace")


def _pin(text: str) -> tuple[int, int, int, int]:
    """A network's row in `pins`."""
    network = ip_network(text)
    what, bits = (k.T_IP4, 32) if network.version == 4 else (k.T_IP6, 128)
    return what, 0, network.prefixlen, int(network.network_address) << 128 - bits >> 65
