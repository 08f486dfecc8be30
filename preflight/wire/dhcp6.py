"""DHCP over IPv6 (RFC 8415): who asks, who answers, what is handed out. Scapy dissects."""

from dataclasses import dataclass
from typing import Any

from preflight.wire.datagram import datagram
from preflight.wire.picked import Picked, Seen, seen

# RFC 8415 section 7.3.
TYPES = {
    1: "SOLICIT",
    2: "ADVERTISE",
    3: "REQUEST",
    4: "CONFIRM",
    5: "RENEW",
    6: "REBIND",
    7: "REPLY",
    8: "RELEASE",
    9: "DECLINE",
    10: "RECONFIGURE",
    11: "INFORMATION-REQUEST",
    12: "RELAY-FORW",
    13: "RELAY-REPL",
}
RELAYED = ("RELAY-FORW", "RELAY-REPL")
ETHERNET = 1  # hardware type in a DUID


@dataclass(frozen=True)
class Dhcp6Message:
    """`client_id` and `server_id` are DUIDs in hexadecimal, "" where the message has none;
    `server_hardware` is the Ethernet address in the server's DUID, if it has one. `transaction` is 0 for
    relayed messages."""

    seen: Seen
    source: str
    destination: str
    message_type: str
    transaction: int
    client_id: str
    server_id: str
    server_hardware: str
    offered_addresses: tuple[str, ...]
    dns: tuple[str, ...]

    @property
    def from_server(self) -> bool:
        return self.message_type in ("ADVERTISE", "REPLY", "RECONFIGURE", "RELAY-REPL")


def read(picked: Picked) -> Dhcp6Message | None:
    from scapy.layers.dhcp6 import (
        DHCP6,
        DUID_LL,
        DUID_LLT,
        DHCP6_RelayForward,
        DHCP6OptClientId,
        DHCP6OptDNSServers,
        DHCP6OptIA_NA,
        DHCP6OptIAAddress,
        DHCP6OptServerId,
    )

    found = datagram(picked)
    if found is None or len(found.data) < 4 or found.data[0] not in TYPES:
        return None
    client = server = hardware = ""
    offered: list[str] = []
    dns: list[str] = []
    kind = TYPES[found.data[0]]
    relayed = kind in RELAYED
    layer: Any = (DHCP6_RelayForward if relayed else DHCP6)(found.data)
    while layer:  # Scapy chains a message and its options as payloads
        if isinstance(layer, DHCP6OptServerId):
            server = bytes(layer.duid or b"").hex()  # an empty one comes as None
            if isinstance(layer.duid, DUID_LL | DUID_LLT) and layer.duid.hwtype == ETHERNET:
                hardware = str(layer.duid.lladdr)
        elif isinstance(layer, DHCP6OptClientId):  # the server's is made from it, so it comes second
            client = bytes(layer.duid or b"").hex()
        elif isinstance(layer, DHCP6OptIA_NA):
            offered += [str(each.addr) for each in layer.ianaopts if isinstance(each, DHCP6OptIAAddress)]
        elif isinstance(layer, DHCP6OptDNSServers):
            dns += [str(each) for each in layer.dnsservers]
        layer = layer.payload
    return Dhcp6Message(
        seen=seen(picked),
        source=found.source,
        destination=found.destination,
        message_type=kind,
        transaction=0 if relayed else int.from_bytes(found.data[1:4]),
        client_id=client[:64],
        server_id=server[:64],
        server_hardware=hardware,
        offered_addresses=tuple(offered[:4]),
        dns=tuple(dns[:4]),
    )
