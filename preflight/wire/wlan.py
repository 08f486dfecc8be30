"""Frames on the cable that only Wi-Fi causes. Each is told by its exact form, since an ordinary XID is no
sign.

Layer-2 update: when a station joins an access point, the access point sends an LLC XID response in the
station's name to all, so that switches learn where it now is. Form: IEEE 802.2 section 5.4.1.1.2 for XID;
null SAPs, Type 1, its use by access points from IEEE 802.11F, from memory. Pre-authentication (EtherType
0x88C7) carries EAPOL of a station to the next access point: IEEE 802.11, IEEE 802.1X. Fast transition
(EtherType 0x890D) carries 802.11 frames from access point to access point, and from station to station those
that set up a direct link (TDLS): IEEE 802.11.
"""

from dataclasses import dataclass
from typing import Literal

from preflight.wire.picked import Picked, Seen, seen

BROADCAST = 0xFFFFFFFFFFFF
GROUP_BIT = 1 << 40
PREAUTH, FAST_TRANSITION = 0x88C7, 0x890D
EAPOL_VERSIONS = (1, 2, 3)
LAST_EAPOL_TYPE = 8  # IEEE 802.1X-2010 table 11-3
DIRECT_LINK, LAST_PAYLOAD_TYPE = (
    2,
    5,
)  # IEEE 802.11 "Payload Type", from memory: 1 remote request, 2 TDLS, ...


@dataclass(frozen=True)
class WlanSign:
    """The sender in `seen` is an access point for "fast transition", else a station."""

    seen: Seen
    sign: Literal["layer-2 update", "pre-authentication", "direct link", "fast transition"]


def read(picked: Picked) -> WlanSign | None:
    data = picked.data[picked.l3 :]
    if picked.src & GROUP_BIT or len(data) < 2:
        return None
    if picked.etype == PREAUTH:
        if data[0] in EAPOL_VERSIONS and data[1] <= LAST_EAPOL_TYPE:
            return WlanSign(seen(picked), "pre-authentication")
    elif picked.etype == FAST_TRANSITION:
        if 1 <= data[0] <= LAST_PAYLOAD_TYPE:
            return WlanSign(seen(picked), "direct link" if data[0] == DIRECT_LINK else "fast transition")
    elif _layer2_update(picked, data):
        return WlanSign(seen(picked), "layer-2 update")
    return None


def _layer2_update(picked: Picked, data: bytes) -> bool:
    """Broadcast, six bytes long, null SAPs, XID, Type 1 service, receive window 0 or 1."""
    if picked.dst != BROADCAST or not picked.src or picked.l3 < 14 or len(data) < 6:
        return False
    length = int.from_bytes(picked.data[picked.l3 - 2 : picked.l3])
    return (
        length == 6
        and data[0] == 0x00
        and data[1] in (0x00, 0x01)
        and data[2] in (0xAF, 0xBF)
        and data[3:5] == b"\x81\x01"
        and data[5] in (0x00, 0x02)
    )
