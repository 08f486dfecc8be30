"""Link types: what the frames of a capture begin with, by the public registry; and the one that holds others
inside.

Names: IANA's registry of PCAP-related link types (draft-ietf-opsawg-pcaplinktype), without those kept for
private use. PKTAP is what macOS puts before each frame: the link type inside, the adapter's name and the
direction; its layout as in the published source of tcpdump for that system, little-endian (from memory).
"""

from collections.abc import Iterable

import numpy as np

from preflight.frames import kernels as k

RAW, PKTAP = 101, 258
READABLE = (k.ETHERNET, k.SLL, k.SLL2)
WIFI = (105, 119, 120, 127, 163)  # IEEE 802.11, alone and behind the headers that a radio adds
PRIVATE = range(147, 163)
SHOWN = 4

REGISTRY = """
0 NULL; 1 ETHERNET; 2 EXP_ETHERNET; 3 AX25; 4 PRONET; 5 CHAOS; 6 IEEE802_5; 7 ARCNET_BSD; 8 SLIP; 9 PPP;
10 FDDI; 50 PPP_HDLC; 51 PPP_ETHER; 99 SYMANTEC_FIREWALL; 100 ATM_RFC1483; 101 RAW; 102 SLIP_BSDOS;
103 PPP_BSDOS; 104 C_HDLC; 105 IEEE802_11; 106 ATM_CLIP; 107 FRELAY; 108 LOOP; 109 ENC; 110 LANE8023;
111 HIPPI; 112 HDLC; 113 LINUX_SLL; 114 LTALK; 115 ECONET; 116 IPFILTER; 117 PFLOG; 118 CISCO_IOS;
119 IEEE802_11_PRISM; 120 IEEE802_11_AIRONET; 121 HHDLC; 122 IP_OVER_FC; 123 SUNATM; 124 RIO;
125 PCI_EXP; 126 AURORA; 127 IEEE802_11_RADIOTAP; 128 TZSP; 129 ARCNET_LINUX; 130 JUNIPER_MLPPP;
131 JUNIPER_MLFR; 132 JUNIPER_ES; 133 JUNIPER_GGSN; 134 JUNIPER_MFR; 135 JUNIPER_ATM2;
136 JUNIPER_SERVICES; 137 JUNIPER_ATM1; 138 APPLE_IP_OVER_IEEE1394; 139 MTP2_WITH_PHDR; 140 MTP2;
141 MTP3; 142 SCCP; 143 DOCSIS; 144 LINUX_IRDA; 145 IBM_SP; 146 IBM_SN; 163 IEEE802_11_AVS;
164 JUNIPER_MONITOR; 165 BACNET_MS_TP; 166 PPP_PPPD; 167 JUNIPER_PPPOE; 168 JUNIPER_PPPOE_ATM;
169 GPRS_LLC; 170 GPF_T; 171 GPF_F; 172 GCOM_T1E1; 173 GCOM_SERIAL; 174 JUNIPER_PIC_PEER; 175 ERF_ETH;
176 ERF_POS; 177 LINUX_LAPD; 178 JUNIPER_ETHER; 179 JUNIPER_PPP; 180 JUNIPER_FRELAY; 181 JUNIPER_CHDLC;
182 MFR; 183 JUNIPER_VP; 184 A429; 185 A653_ICM; 186 USB_FREEBSD; 187 BLUETOOTH_HCI_H4;
188 IEEE802_16_MAC_CPS; 189 USB_LINUX; 190 CAN20B; 191 IEEE802_15_4_LINUX; 192 PPI;
193 IEEE802_16_MAC_CPS_RADIO; 194 JUNIPER_ISM; 195 IEEE802_15_4_WITHFCS; 196 SITA; 197 ERF; 198 RAIF1;
199 IPMB_KONTRON; 200 JUNIPER_ST; 201 BLUETOOTH_HCI_H4_WITH_PHDR; 202 AX25_KISS; 203 LAPD;
204 PPP_WITH_DIR; 205 C_HDLC_WITH_DIR; 206 FRELAY_WITH_DIR; 207 LAPB_WITH_DIR; 209 I2C_LINUX;
210 FLEXRAY; 211 MOST; 212 LIN; 213 X2E_SERIAL; 214 X2E_XORAYA; 215 IEEE802_15_4_NONASK_PHY;
216 LINUX_EVDEV; 217 GSMTAP_UM; 218 GSMTAP_ABIS; 219 MPLS; 220 USB_LINUX_MMAPPED; 221 DECT; 222 AOS;
223 WIHART; 224 FC_2; 225 FC_2_WITH_FRAME_DELIMS; 226 IPNET; 227 CAN_SOCKETCAN; 228 IPV4; 229 IPV6;
230 IEEE802_15_4_NOFCS; 231 DBUS; 232 JUNIPER_VS; 233 JUNIPER_SRX_E2E; 234 JUNIPER_FIBRECHANNEL;
235 DVB_CI; 236 MUX27010; 237 STANAG_5066_D_PDU; 238 JUNIPER_ATM_CEMIC; 239 NFLOG; 240 NETANALYZER;
241 NETANALYZER_TRANSPARENT; 242 IPOIB; 243 MPEG_2_TS; 244 NG40; 245 NFC_LLCP; 246 PFSYNC;
247 INFINIBAND; 248 SCTP; 249 USBPCAP; 250 RTAC_SERIAL; 251 BLUETOOTH_LE_LL; 253 NETLINK;
254 BLUETOOTH_LINUX_MONITOR; 255 BLUETOOTH_BREDR_BB; 256 BLUETOOTH_LE_LL_WITH_PHDR; 257 PROFIBUS_DL;
258 PKTAP; 259 EPON; 260 IPMI_HPM_2; 261 ZWAVE_R1_R2; 262 ZWAVE_R3; 263 WATTSTOPPER_DLM; 264 ISO_14443;
265 RDS; 266 USB_DARWIN; 267 OPENFLOW; 268 SDLC; 269 TI_LLN_SNIFFER; 270 LORATAP; 271 VSOCK;
272 NORDIC_BLE; 273 DOCSIS31_XRA31; 274 ETHERNET_MPACKET; 275 DISPLAYPORT_AUX; 276 LINUX_SLL2;
277 SERCOS_MONITOR; 278 OPENVIZSLA; 279 EBHSCR; 280 VPP_DISPATCH; 281 DSA_TAG_BRCM;
282 DSA_TAG_BRCM_PREPEND; 283 IEEE802_15_4_TAP; 284 DSA_TAG_DSA; 285 DSA_TAG_EDSA; 286 ELEE;
287 Z_WAVE_SERIAL; 288 USB_2_0; 289 ATSC_ALP; 290 ETW; 291 NETANALYZER_NG; 292 ZBOSS_NCP;
293 USB_2_0_LOW_SPEED; 294 USB_2_0_FULL_SPEED; 295 USB_2_0_HIGH_SPEED; 296 AUERSWALD_LOG; 297 ZWAVE_TAP;
298 SILABS_DEBUG_CHANNEL; 299 FIRA_UCI; 300 MDB; 301 DECT_NR
"""
# In plain words, those that people meet.
WORDS = {
    0: "BSD loopback", 1: "Ethernet", 6: "token ring", 9: "PPP", 10: "FDDI", 101: "raw IP", 105: "IEEE "
                                                                                                 "802.11",
    108: "OpenBSD loopback", 113: "Linux cooked v1", 127: "IEEE 802.11 with radiotap header", 187: "Bluetooth HCI", 189: "USB",
    192: "per-packet information", 195: "IEEE 802.15.4", 220: "USB (padded)", 228: "raw IPv4", 229: "raw "
                                                                                                    "IPv6",
    230: "IEEE 802.15.4 without FCS", 239: "netfilter log", 249: "USB capture", 271: "virtual sockets", 276: "Linux cooked v2",
}  # fmt: skip

H_LENGTH, H_NEXT, H_LINK, H_FLAGS, H_END = (
    0,
    4,
    8,
    36,
    40,
)  # offsets in PKTAP's header, and what of it is read
NEXT_PACKET, SENT = 1, 2


def link_name(number: int) -> str:
    """In a word or two."""
    return WORDS.get(number) or _registered(number) or f"link type {number}"


def refusal(links: Iterable[int]) -> str:
    """Why frames of these types cannot be judged, and what to do."""
    links = list(links)
    if links and all(link in WIFI for link in links):
        return "was taken on Wi-Fi, by which no audio comes; capture on the Ethernet adapter, at a cable"
    names = ", ".join(map(_in_full, links[:SHOWN]))
    return f"holds {names}, not Ethernet; capture on the Ethernet adapter"


def _in_full(number: int) -> str:
    words, name = WORDS.get(number), _registered(number)
    if number in PRIVATE:
        return f"link type {number}, which is for private use"
    return f"{words} ({name})" if words and name else name or f"link type {number}"


def _registered(number: int) -> str:
    entries = (entry.split() for entry in REGISTRY.split(";"))
    return next((f"LINKTYPE_{name}" for told, name in entries if int(told) == number), "")


def unwrap(block: np.ndarray, columns: np.ndarray, rows: int) -> int:
    """Take PKTAP's header off the frames that have one: the columns then tell of the frame inside. Returns
    how many could not be read; these, and headers that no frame follows, keep their link type."""
    at = np.flatnonzero(columns[k.LINK, :rows] == PKTAP)
    at = at[columns[k.CAP, at] >= H_END]
    short = int(np.count_nonzero(columns[k.LINK, :rows] == PKTAP)) - len(at)
    off = columns[k.OFF, at]
    length, follows, link, flags = (u32s(block, off + field) for field in (H_LENGTH, H_NEXT, H_LINK, H_FLAGS))
    sound = (length >= H_END) & (length <= columns[k.CAP, at]) & (follows == NEXT_PACKET)
    broken = int(np.count_nonzero(~sound & (follows == NEXT_PACKET)))
    at, length, link, flags = at[sound], length[sound], link[sound], flags[sound]
    columns[k.OFF, at] += length
    columns[k.CAP, at] -= length
    columns[k.WIRE, at] -= length
    columns[k.LINK, at] = np.where(link == 12, RAW, link)  # the system's own number of it
    columns[k.OUT, at] = flags & SENT != 0
    return short + broken


def u32s(block: np.ndarray, at: np.ndarray, big: bool = False) -> np.ndarray:
    """The 32-bit numbers at these places."""
    parts = [block[at + each].astype(np.int64) for each in range(4)]
    parts = parts[::-1] if big else parts
    return parts[0] | parts[1] << 8 | parts[2] << 16 | parts[3] << 24
