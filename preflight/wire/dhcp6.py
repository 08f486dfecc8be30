"""DHCP over IPv6 (RFC 8415): who asks, who answers, what is handed out."""

from dataclasses import dataclass

from preflight.wire import fields as f
from preflight.wire.datagram import datagram
from preflight.wire.picked import Picked, Seen, seen

# RFC 8415 section 7.3.
TYPES = ("", "SOLICIT", "ADVERTISE", "REQUEST", "CONFIRM", "RENEW", "REBIND", "REPLY", "RELEASE", "DECLINE",
         "RECONFIGURE", "INFORMATION-REQUEST", "RELAY-FORW", "RELAY-REPL")  # fmt: skip
RELAYED = (12, 13)
HEAD, RELAY_HEAD = 4, 34  # bytes before the options: RFC 8415 sections 8 and 9
# Where an Ethernet address starts in a DUID, by its type and hardware type: RFC 8415 sections 11.2 and 11.4.
DUIDS = {b"\0\1\0\1": 8, b"\0\3\0\1": 4}
CLIENT, SERVER, ASSOCIATION, ADDRESS, RELAYED_MESSAGE, DNS = 1, 2, 3, 5, 9, 23
DEEPEST = 12  # options in options, and messages in messages: RFC 8415 section 7.6 lets 8 relays pass one on


def _duid(raw: bytes) -> tuple[int, f.Form]:
    start = DUIDS.get(raw[:4], 0)
    return (start, f.MAC) if start and len(raw) == start + 6 else (2, f.SCRAMBLED)


def _message(options: f.Form) -> f.Form:
    relayed = f.parts((2, f.KEPT), (32, f.IP6), rest=options)
    direct = f.after(HEAD, options)
    return f.chosen(lambda raw: (0, relayed if len(raw) >= RELAY_HEAD and raw[0] in RELAYED else direct))


def _options(deeper: int) -> f.Form:
    """Options that hold others up to `deeper` levels."""
    if not deeper:
        return f.SCRAMBLED
    inner = _options(deeper - 1)
    whole = f.parts((16, f.IP6), (8, f.KEPT), rest=inner)
    address = f.chosen(lambda raw: (0, whole if len(raw) >= 24 else f.SCRAMBLED))
    duid = f.chosen(_duid)
    table = (
        dict.fromkeys((6, 7, 8, 14, 19, 20, 32, 82, 83), f.KEPT)
        | dict.fromkeys((12, DNS, 27, 31), f.IP6)
        | dict.fromkeys((CLIENT, SERVER), f.Form(duid.cover))
        | dict.fromkeys((ASSOCIATION, 25), f.after(12, inner))
        | {
            4: f.after(4, inner),
            ADDRESS: f.Form(address.cover, lambda raw: f.IP6.read(raw[:16])),
            RELAYED_MESSAGE: _message(inner),
            13: f.after(2),
            16: f.after(4),
            17: f.after(4),
            24: f.LABELS,
            39: f.after(1, f.LABELS),
        }
    )
    fields = f.Fields(f.head_of_four, table)
    return f.Form(fields.cover, lambda raw: [*fields.read(raw)])


OPTIONS = _options(DEEPEST)
MESSAGE = _message(OPTIONS)


@dataclass(frozen=True)
class Dhcp6Message:
    """`client_id` and `server_id` are DUIDs in hexadecimal, "" where the message has none;
    `server_hardware` is the Ethernet address in the server's DUID, if it has one."""

    seen: Seen
    source: str
    message_type: str
    client_id: str
    server_id: str
    server_hardware: str
    offered_addresses: tuple[str, ...]
    dns: tuple[str, ...]

    @property
    def from_server(self) -> bool:
        return self.message_type in ("ADVERTISE", "REPLY", "RECONFIGURE", "RELAY-REPL")


def read(picked: Picked) -> Dhcp6Message | None:
    found = datagram(picked)
    if found is None or len(found.data) < HEAD or not 0 < found.data[0] < len(TYPES):
        return None
    data = found.data
    relayed = data[0] in RELAYED
    options = OPTIONS.read(data[RELAY_HEAD if relayed else HEAD :])
    told = dict(options)
    server = told.get(SERVER, b"")
    start, form = _duid(server)
    inner = [each for code, value in options if code == ASSOCIATION for each in value]
    return Dhcp6Message(
        seen=seen(picked),
        source=found.source,
        message_type=TYPES[data[0]],
        client_id=told.get(CLIENT, b"").hex()[:64],
        server_id=server.hex()[:64],
        server_hardware=form.read(server[start:]) if form is f.MAC else "",
        offered_addresses=tuple(each for code, value in inner if code == ADDRESS for each in value)[:4],
        dns=tuple(each for code, value in options if code == DNS for each in value)[:4],
    )


def covered(data: bytes, hand: f.Hand) -> bytes:
    return MESSAGE.cover(data, hand)
