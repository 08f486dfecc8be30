"""Multicast DNS (RFC 6762) and service discovery in it (RFC 6763): what is announced, what is asked for.

zeroconf's parser works on bytes alone and opens no socket.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import ip_address

from preflight.text import clean
from preflight.wire.datagram import datagram
from preflight.wire.fields import IP4, IP6, SCRAMBLED, Hand
from preflight.wire.picked import Picked, Seen, seen

ALL_SERVICES = "_services._dns-sd._udp.local."  # RFC 6763 section 9: its pointers name types, not instances
MOST_NAMES = 32
MOST_LABELS = 128
HEAD, QUESTION, RECORD = 12, 4, 10  # bytes before the first name, and after a name: RFC 1035 section 4.1
LONGEST_LABEL, POINTER = 63, 0xC0  # RFC 1035 section 4.1.4
# Record types (IANA DNS parameters): what holds a name after how many bytes, and texts each after its length.
A, AAAA, NSEC = 1, 28, 47
NAMED = {2: 0, 5: 0, 12: 0, 33: 6, NSEC: 0}
TEXTS = (13, 16)
KNOWN_LABELS = (b"local", b"_tcp", b"_udp", b"_services", b"_dns-sd", b"_sub", b"arpa", b"in-addr", b"ip6")
SERVICE = re.compile(rb"_[a-z0-9-]{1,15}", re.IGNORECASE)  # RFC 6335 section 5.1


@dataclass(frozen=True)
class MdnsMessage:
    """`services` are types ("_http._tcp.local."), `instances` named services, `hostnames` names with an
    address or a service, `addresses` the IP addresses of such names: what a response announces, farewells
    left out."""

    seen: Seen
    source: str
    response: bool
    services: tuple[str, ...]
    instances: tuple[str, ...]
    hostnames: tuple[str, ...]
    addresses: tuple[str, ...] = ()

    @property
    def for_another(self) -> bool:
        """Whether it tells addresses of its sender's version, and not its sender's among them: a proxy or a
        reflector speaks for others."""
        alike = [each for each in self.addresses if (":" in each) == (":" in self.source)]
        return bool(alike) and self.source not in alike


def read(picked: Picked) -> MdnsMessage | None:
    from zeroconf import DNSAddress, DNSIncoming, DNSPointer, DNSService

    found = datagram(picked)
    if found is None or len(found.data) < 12:
        return None
    message = DNSIncoming(found.data)
    if not message.valid and not picked.cut:
        raise ValueError("not a DNS message")
    services: list[str] = []
    instances: list[str] = []
    hostnames: list[str] = []
    addresses: list[str] = []
    # In a query the answers are what the asker has heard from others (RFC 6762 section 7.1), not its own.
    for record in message.answers() if message.is_response() else ():
        if record.ttl == 0:  # a farewell, RFC 6762 section 10.1
            continue
        if isinstance(record, DNSPointer):
            if record.name.lower() == ALL_SERVICES:
                services.append(record.alias)
            elif record.name.startswith("_"):
                services.append(record.name)
                instances.append(record.alias)
        elif isinstance(record, DNSService):
            instances.append(record.name)
            hostnames.append(record.server)
        elif isinstance(record, DNSAddress):
            hostnames.append(record.name)
            if len(record.address) in (4, 16):
                addresses.append(str(ip_address(record.address)))
    return MdnsMessage(
        seen=seen(picked),
        source=found.source,
        response=message.is_response(),
        services=_names(services),
        instances=_names(instances),
        hostnames=_names(hostnames),
        addresses=_names(addresses),
    )


def _names(names: Iterable[str]) -> tuple[str, ...]:
    """Each name once, in order, cleaned."""
    return tuple(clean(name, 120) for name in list(dict.fromkeys(names))[:MOST_NAMES])


def covered(data: bytes, hand: Hand) -> bytes:
    """What kinds of services there are stays, whose they are does not."""
    return _Covering(data, hand).message()


class _Covering:
    """One message on its way. Names point into it, so that their labels are replaced where they stand, once
    each."""

    def __init__(self, data: bytes, hand: Hand) -> None:
        self._data = data
        self._hand = hand
        self._block = bytearray(data)
        self._done: set[int] = set()

    def _scramble(self, start: int, end: int | None = None) -> None:
        self._block[start:end] = self._hand.scramble(self._data[start:end])

    def message(self) -> bytes:
        self._scramble(self._sections() if len(self._data) >= HEAD else 0)
        return bytes(self._block)

    def _sections(self) -> int:
        """Questions and records; where they end, or make no sense any more."""
        data, at = self._data, HEAD
        questions, *records = (int.from_bytes(data[spot : spot + 2]) for spot in (4, 6, 8, 10))
        for number in range(questions + sum(records)):
            stop = self._name(at)
            after = QUESTION if number < questions else RECORD
            if stop is None or stop + after > len(data):
                self._block[at:] = data[at:]
                return at
            at = stop + after
            if after == RECORD:
                kind, size = int.from_bytes(data[stop : stop + 2]), int.from_bytes(data[at - 2 : at])
                if at + size > len(data):
                    return at
                self._record(kind, at, at + size)
                at += size
        return at

    def _record(self, kind: int, at: int, end: int) -> None:
        if kind in NAMED and end - at > NAMED[kind]:
            start = at + NAMED[kind]
            stop = self._name(start)
            if stop is None or stop > end:
                self._scramble(start, end)
            elif kind != NSEC:  # goes on with a list of record types, RFC 4034 section 4.1
                self._scramble(stop, end)
        elif kind in TEXTS:
            while at < end:
                start, at = at + 1, at + 1 + self._data[at]
                self._block[start : min(at, end)] = self._hand.name(self._data[start : min(at, end)])
        else:
            form = {(A, 4): IP4, (AAAA, 16): IP6}.get((kind, end - at), SCRAMBLED)
            self._block[at:end] = form.cover(self._data[at:end], self._hand)

    def _name(self, at: int) -> int | None:
        """Replace the labels of the name at `at`; where it ends, or None where it makes no sense."""
        data = self._data
        labels: list[tuple[int, bytes]] = []
        stop = None
        for _ in range(MOST_LABELS):
            if at >= len(data):
                return None
            size = data[at]
            if size == 0:
                stop = stop or at + 1
                break
            if size >= POINTER:
                stop = stop or at + 2
                to = int.from_bytes(data[at : at + 2]) & 0x3FFF
                if at + 2 > len(data) or not HEAD <= to < at:
                    return None
                at = to
                continue
            if size > LONGEST_LABEL or at + 1 + size > len(data):
                return None
            labels.append((at + 1, data[at + 1 : at + 1 + size]))
            if stop is not None and at + 1 in self._done:
                # the rest was seen to: names that point at each other's ends take no longer than others
                break
            at += 1 + size
        else:
            return None
        followers = [label.lower() for _, label in labels[1:]] + [b""]
        for (spot, label), follower in zip(labels, followers, strict=False):
            service = follower in (b"_tcp", b"_udp", b"_sub") and SERVICE.fullmatch(label)
            if spot not in self._done and label.lower() not in KNOWN_LABELS and not service:
                self._block[spot : spot + len(label)] = self._hand.name(label)
            self._done.add(spot)
        return stop
