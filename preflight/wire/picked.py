"""A control frame that the kernel picked out for dissecting, and how to say where it was seen."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Picked:
    """One frame as captured, with what the kernel already knows of it.

    `number` counts from 1, `time_s` from the first frame. `data` starts at the link header; `l3` is the
    offset in `data` of what follows the EtherType and any VLAN tags. `etype` is the EtherType after tags,
    or for an 802.3 length field the value 0 (then `l3` points at the LLC header). `src` and `dst` are
    48-bit numbers, 0 where the link type has none. `outgoing` is True when the capturing computer sent it.
    `cut` when the snap length cut it.
    """

    number: int
    time_s: float
    data: bytes
    l3: int
    etype: int
    src: int
    dst: int
    outgoing: bool = False
    cut: bool = False


@dataclass(frozen=True)
class Seen:
    """Where a wire fact comes from: frame number from 1, seconds from the first frame, sender's and
    addressee's hardware addresses as aa:bb:cc:dd:ee:ff ("" where the link type has none)."""

    frame: int
    time_s: float
    src: str
    dst: str
    outgoing: bool


def mac_text(number: int) -> str:
    """48-bit number to aa:bb:cc:dd:ee:ff."""
    return (number & 0xFFFFFFFFFFFF).to_bytes(6).hex(":")


def seen(picked: Picked) -> Seen:
    return Seen(
        picked.number,
        picked.time_s,
        mac_text(picked.src) if picked.src else "",
        mac_text(picked.dst) if picked.dst else "",
        picked.outgoing,
    )


TAGS = (b"\x81\x00", b"\x88\xa8")  # IEEE 802.1Q


def vlan(picked: Picked) -> int | None:
    """The VLAN of the frame's tag."""
    tagged = picked.data[12:14] in TAGS and picked.l3 >= 18
    return int.from_bytes(picked.data[14:16]) & 0xFFF if tagged else None
