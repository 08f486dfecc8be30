"""IGMP: who asks for group members, who is one (RFC 1112 appendix I, RFC 2236, RFC 3376).

Fixed fields at fixed places, so they are read here without a dissector.
"""

from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import Literal

from preflight.wire.datagram import IGMP, IPV4, packet
from preflight.wire.picked import Picked, Seen, seen

QUERY, REPORT_1, REPORT_2, LEAVE, REPORT_3 = 0x11, 0x12, 0x16, 0x17, 0x22
MOST_RECORDS = 256
# Record types, RFC 3376 section 4.2.12.
INCLUDE, EXCLUDE, TO_INCLUDE, TO_EXCLUDE, ALLOW = 1, 2, 3, 4, 5


@dataclass(frozen=True)
class IgmpMessage:
    """`group` is the group that a query asks for, "" for all. `joined` and `left` are the groups that the
    sender of a report or leave is, or is no longer, a member of. `max_response_s`, `robustness` and
    `interval_s` are what a query says of the querier's timers, None where its version does not."""

    seen: Seen
    source: str
    kind: Literal["query", "report"]
    version: int
    group: str = ""
    joined: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    max_response_s: float | None = None
    robustness: int | None = None
    interval_s: int | None = None

    @property
    def is_general(self) -> bool:
        """Whether it is a General Query: who is in any group (RFC 2236 section 2.4)."""
        return self.kind == "query" and not self.group


def read(picked: Picked) -> IgmpMessage | None:
    found = packet(picked)
    if found is None or picked.etype != IPV4 or found.protocol != IGMP or len(data := found.data) < 8:
        return None
    if not picked.cut and not _sum_is_right(data):
        return None  # whoever gets it drops it too: RFC 2236 section 2.3, RFC 3376 section 4.1.2
    source, kind, where = found.source, data[0], seen(picked)
    group = str(IPv4Address(data[4:8])) if any(data[4:8]) else ""
    if kind == QUERY:
        return _query(data, group, source, where)
    if kind in (REPORT_1, REPORT_2):
        return IgmpMessage(where, source, "report", 1 if kind == REPORT_1 else 2, joined=(group,))
    if kind == LEAVE:
        return IgmpMessage(where, source, "report", 2, left=(group,))
    if kind == REPORT_3:
        joined, left = _records(data)
        return IgmpMessage(where, source, "report", 3, joined=joined, left=left)
    return None


def _query(data: bytes, group: str, source: str, where: Seen) -> IgmpMessage:
    """The version by length and maximum response code: RFC 3376 section 7.1."""
    if len(data) >= 12:
        response, robustness, interval = _floating(data[1]) / 10, data[8] & 7, _floating(data[9])
        return IgmpMessage(
            where, source, "query", 3, group, (), (), response, robustness or None, interval or None
        )
    if data[1] == 0:
        return IgmpMessage(where, source, "query", 1, group, max_response_s=10.0)  # RFC 2236 section 4
    return IgmpMessage(where, source, "query", 2, group, max_response_s=data[1] / 10)


def _records(data: bytes) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Groups joined and left in a version 3 report: RFC 3376 section 4.2."""
    joined: list[str] = []
    left: list[str] = []
    at = 8
    for _ in range(min(int.from_bytes(data[6:8]), MOST_RECORDS)):
        if len(data) < at + 8:
            break
        kind, more, sources = data[at], data[at + 1], int.from_bytes(data[at + 2 : at + 4])
        group = str(IPv4Address(data[at + 4 : at + 8]))
        # To include nothing is to leave; blocking some sources says neither.
        if kind in (EXCLUDE, TO_EXCLUDE, ALLOW) or (kind in (INCLUDE, TO_INCLUDE) and sources):
            joined.append(group)
        elif kind in (INCLUDE, TO_INCLUDE):
            left.append(group)
        at += 8 + 4 * sources + 4 * more
    return tuple(dict.fromkeys(joined)), tuple(dict.fromkeys(left))


def _floating(code: int) -> int:
    """Maximum response code and querier's interval code: RFC 3376 sections 4.1.1 and 4.1.7."""
    return code if code < 128 else (code & 15 | 16) << ((code >> 4 & 7) + 3)


def _sum_is_right(data: bytes) -> bool:
    """The Internet checksum over the whole message (RFC 1071)."""
    total = sum(int.from_bytes(data[at : at + 2].ljust(2, b"\0")) for at in range(0, len(data), 2))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total == 0xFFFF
