"""Multicast DNS (RFC 6762) and service discovery in it (RFC 6763): what is announced, what is asked for.

zeroconf's parser works on bytes alone and opens no socket.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from preflight.text import clean
from preflight.wire.datagram import datagram
from preflight.wire.picked import Picked, Seen, seen

ALL_SERVICES = "_services._dns-sd._udp.local."  # RFC 6763 section 9: its pointers name types, not instances
MOST_NAMES = 32


@dataclass(frozen=True)
class MdnsMessage:
    """`services` are types ("_http._tcp.local."), `instances` named services, `hostnames` names with an
    address or a service: what a response announces, farewells left out. `asked` are the names in
    questions."""

    seen: Seen
    source: str
    response: bool
    asked: tuple[str, ...]
    services: tuple[str, ...]
    instances: tuple[str, ...]
    hostnames: tuple[str, ...]


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
    return MdnsMessage(
        seen=seen(picked),
        source=found.source,
        response=message.is_response(),
        asked=_names(question.name for question in message.questions),
        services=_names(services),
        instances=_names(instances),
        hostnames=_names(hostnames),
    )


def _names(names: Iterable[str]) -> tuple[str, ...]:
    """Each name once, in order, cleaned."""
    return tuple(clean(name, 120) for name in list(dict.fromkeys(names))[:MOST_NAMES])
