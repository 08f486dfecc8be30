"""What macOS commands write. None was recorded by us.

`RELEASES`, `POWERS` and `USB_TREES` are outputs that people published, each with its source, cut to what is
looked at; addresses and names are put in their place by ours, and so is the name of a product. The desk below
them is made in the same layouts, to be changed by test. Of what it has beyond them, these are known
otherwise: `media` and its options from net/if_media.h of XNU; the lines under `supported media:` from
ifconfig(8) and the code of the BSDs (printed are options each with their `mediaopt`, or joined by commas:
both are read); the keys of `system_profiler -json` from several public programs, with the values `high_speed`
(seen) and `super_speed`; `sysctl` and `spethernet_pcie` from memory; the settings files' keys from
SystemConfiguration's schema. `netstat` and `ioreg` are not asked: counters come from psutil.
"""

import json
from dataclasses import dataclass


@dataclass(frozen=True)
class Release:
    """Of one computer: what `ifconfig` and `networksetup -listallhardwareports` wrote, and by which adapters
    in the list of Ethernet adapters (that list was not published with them; `system_profiler -json` came with
    10.15)."""

    source: str
    ifconfig: str
    ports: str
    ethernet: tuple[str, ...] | None


UP = "flags=8863<UP,BROADCAST,SMART,RUNNING,SIMPLEX,MULTICAST> mtu 1500"
RELEASES = {
    "10.14.6": Release(
        "glpi-project/glpi-agent, resources/macos/ifconfig, a desktop of 2019 with 10.14.6: ifconfig and "
        "networksetup",
        f"""\
lo0: flags=8049<UP,LOOPBACK,RUNNING,MULTICAST> mtu 16384
\toptions=1203<RXCSUM,TXCSUM,TXSTATUS,SW_TIMESTAMP>
\tinet 127.0.0.1 netmask 0xff000000\x20
XHC20: flags=0<> mtu 0
en0: {UP}
\toptions=10b<RXCSUM,TXCSUM,VLAN_HWTAGGING,AV>
\tether 00:00:5e:00:53:10\x20
\tinet 192.0.2.10 netmask 0xffffff00 broadcast 192.0.2.255
\tnd6 options=201<PERFORMNUD,DAD>
\tmedia: autoselect (1000baseT <full-duplex,flow-control>)
\tstatus: active
en2: flags=8963<UP,BROADCAST,SMART,RUNNING,PROMISC,SIMPLEX,MULTICAST> mtu 1500
\toptions=60<TSO4,TSO6>
\tether 00:00:5e:00:53:21\x20
\tmedia: autoselect <full-duplex>
\tstatus: inactive
bridge0: {UP}
\tConfiguration:
\t\tid 0:0:0:0:0:0 priority 0 hellotime 0 fwddelay 0
\tmember: en2 flags=3<LEARNING,DISCOVER>
\t        ifmaxaddr 0 port 7 priority 0 path cost 0
\tmedia: <unknown type>
\tstatus: inactive
en1: {UP}
\tether 00:00:5e:00:53:07\x20
\tinet 198.51.100.7 netmask 0xffffff00 broadcast 198.51.100.255
\tmedia: autoselect
\tstatus: active
""",
        """
Hardware Port: Ethernet
Device: en0
Ethernet Address: 00:00:5e:00:53:10

Hardware Port: Wi-Fi
Device: en1
Ethernet Address: 00:00:5e:00:53:07

Hardware Port: Bluetooth PAN
Device: en4
Ethernet Address: 00:00:5e:00:53:08

Hardware Port: Thunderbolt 1
Device: en2
Ethernet Address: 00:00:5e:00:53:21

Hardware Port: Thunderbolt Bridge
Device: bridge0
Ethernet Address: 00:00:5e:00:53:21

VLAN Configurations
===================

""",
        None,
    ),
    "10.15": Release(
        "glpi-project/glpi-agent, resources/macos/ifconfig, a portable of 2019 with 10.15: ifconfig and "
        "networksetup",
        f"""\
en5: {UP}
\tether 00:00:5e:00:53:30\x20
\tinet6 fe80::30%en5 prefixlen 64 scopeid 0x4\x20
\tnd6 options=201<PERFORMNUD,DAD>
\tmedia: autoselect (100baseTX <full-duplex>)
\tstatus: active
en0: {UP}
\toptions=400<CHANNEL_IO>
\tether 00:00:5e:00:53:07\x20
\tmedia: autoselect (<unknown type>)
\tstatus: inactive
vnic0: flags=8843<UP,BROADCAST,RUNNING,SIMPLEX,MULTICAST> mtu 1500
\toptions=3<RXCSUM,TXCSUM>
\tether 00:00:5e:00:53:31\x20
\tinet 203.0.113.2 netmask 0xffffff00 broadcast 203.0.113.255
\tmedia: autoselect
\tstatus: active
en37: flags=8822<BROADCAST,SMART,SIMPLEX,MULTICAST> mtu 1500
\toptions=400<CHANNEL_IO>
\tether 00:00:5e:00:53:32\x20
\tmedia: autoselect <full-duplex>
\tstatus: inactive
en35: {UP}
\toptions=6407<RXCSUM,TXCSUM,VLAN_MTU,CHANNEL_IO,PARTIAL_CSUM,ZEROINVERT_CSUM>
\tether 00:00:5e:00:53:10\x20
\tinet6 fe80::10%en35 prefixlen 64 secured scopeid 0x15\x20
\tinet 192.0.2.10 netmask 0xffffff00 broadcast 192.0.2.255
\tmedia: autoselect (1000baseT <full-duplex>)
\tstatus: active
utun4: flags=80d1<UP,POINTOPOINT,RUNNING,NOARP,MULTICAST> mtu 1390
\tinet 203.0.113.190 --> 203.0.113.190 netmask 0xffffff00\x20
""",
        """
Hardware Port: USB 10/100/1000 LAN
Device: en35
Ethernet Address: 00:00:5e:00:53:10

Hardware Port: Wi-Fi
Device: en0
Ethernet Address: 00:00:5e:00:53:07

Hardware Port: Handset USB
Device: en37
Ethernet Address: 00:00:5e:00:53:32

Hardware Port: Bluetooth PAN
Device: en6
Ethernet Address: 00:00:5e:00:53:08

VLAN Configurations
===================

""",
        ("en35", "en37"),
    ),
    "12": Release(
        "ifconfig of 12.3: github.com/ntop/ntopng, issue 6453; ports of 12.1: "
        "mrodalgaard/alfred-network-workflow, issue 20",
        f"""\
en6: {UP}
\toptions=467<RXCSUM,TXCSUM,VLAN_MTU,TSO4,TSO6,CHANNEL_IO>
\tether 00:00:5e:00:53:10\x20
\tinet6 fe80::10%en6 prefixlen 64 secured scopeid 0x16\x20
\tinet 192.0.2.10 netmask 0xffffff00 broadcast 192.0.2.255
\tnd6 options=201<PERFORMNUD,DAD>
\tmedia: autoselect (10Gbase-T <full-duplex,flow-control>)
\tstatus: active
""",
        """\
Hardware Port: AX88179A
Device: en6
Ethernet Address: 00:00:5e:00:53:10

Hardware Port: Ethernet Adapter (en5)
Device: en5
Ethernet Address: 00:00:5e:00:53:41
""",
        None,
    ),
    "14.5": Release(
        "glpi-project/glpi-agent, resources/macos/ifconfig, a portable of 2021 with 14.5: ifconfig and "
        "networksetup",
        f"""\
anpi0: {UP}
     options=400<CHANNEL_IO>
     ether 00:00:5e:00:53:40
     media: none
     status: inactive
en5: {UP}
     options=400<CHANNEL_IO>
     ether 00:00:5e:00:53:41
     nd6 options=201<PERFORMNUD,DAD>
     media: none
     status: inactive
ap1: flags=8843<UP,BROADCAST,RUNNING,SIMPLEX,MULTICAST> mtu 1500
  options=6460<TSO4,TSO6,CHANNEL_IO,PARTIAL_CSUM,ZEROINVERT_CSUM>
     ether 00:00:5e:00:53:42
     media: autoselect (<unknown type>)
     status: inactive
en0: {UP}
     ether 00:00:5e:00:53:07
     inet 198.51.100.7 netmask 0xfffffe00 broadcast 198.51.100.255
     media: autoselect
     status: active
en8: {UP}
  options=6464<VLAN_MTU,TSO4,TSO6,CHANNEL_IO,PARTIAL_CSUM,ZEROINVERT_CSUM>
     ether 00:00:5e:00:53:10
     nd6 options=201<PERFORMNUD,DAD>
     media: autoselect (none)
     status: inactive
""",
        """
Hardware Port: Ethernet Adapter (en5)
Device: en5
Ethernet Address: 00:00:5e:00:53:41

Hardware Port: Dock Lan
Device: en8
Ethernet Address: 00:00:5e:00:53:10

Hardware Port: Wi-Fi
Device: en0
Ethernet Address: 00:00:5e:00:53:07

VLAN Configurations
===================

""",
        ("en8",),
    ),
}

# `pmset -g`, with what it says: saves power, sleeps after so many minutes.
POWERS = {
    # real-world-systems.com/docs/pmset.1.html
    "12.0": (
        """\
System-wide power settings:
Currently in use:
 lidwake              1
 autopoweroff         1
 hibernatefile        /var/vm/sleepimage\x20
 displaysleep         28
 sleep                1 (sleep prevented by sharingd)
 disksleep            0\x20
""",
        (None, 1),
    ),
    # alfredapp/low-power-mode-workflow, issues 4 (13.2) and 6 (14.0); jacklandrin/OnlySwitch, issue 168
    # (14.7.5): `powermode` there, 1 is low power, 2 is high.
    "13.2": (
        """\
System-wide power settings:
Currently in use:
 Sleep On Power Button 1
 powermode            1
 standby              1
 ttyskeepawake        1
 sleep                10
""",
        (True, 10),
    ),
    "14.7.5": (
        "System-wide power settings:\nCurrently in use:\n powermode            2\n sleep                10\n",
        (False, 10),
    ),
    # Several public tests of programs that read it, in this form with tabs: the release is not told.
    "sleep turned off": (
        """\
System-wide power settings:
 SleepDisabled\t\t1
Currently in use:
 standby              1
 Sleep On Power Button 1
 sleep                1 (sleep prevented by powerd, runningboardd)
 displaysleep         10
 lowpowermode         0
""",
        (False, 0),
    ),
}

# Of `system_profiler -json`, by the release: type of data, tree.
USB_TREES = {
    # fusioninventory/fusioninventory-agent, issue 707 (USB31Bus, with a dock); values as in
    # glpi-project/glpi-agent, resources/macos/system_profiler/SPUSBDataType4.xml.
    "10.15": (
        "SPUSBDataType",
        [
            {
                "_name": "USB31Bus",
                "host_controller": "AppleUSBXHCI",
                "pci_vendor": "0x8086 ",
                "_items": [
                    {
                        "_name": "a hub",
                        "device_speed": "super_speed",
                        "vendor_id": "0x1209  (a maker)",
                        "product_id": "0x0009",
                        "_items": [
                            {
                                "_name": "USB 10/100/1000 LAN",
                                "bcd_device": "31.00",
                                "bus_power": "900",
                                "device_speed": "super_speed",
                                "location_id": "0x02210000 / 3",
                                "vendor_id": "0x1209  (a maker)",
                                "product_id": "0x0001",
                            },
                            {"_name": "a keyboard", "vendor_id": "apple_vendor_id", "product_id": "0x0250"},
                        ],
                    }
                ],
            }
        ],
        (5000, ("a keyboard",)),
    ),
    # mudita/mudita-center, the test of its parser of USB devices: by its controllers a computer of 2021, so
    # 12 or later.
    "12": (
        "SPUSBDataType",
        [
            {"_name": "USB31Bus", "host_controller": "AppleT6000USBXHCI"},
            {
                "_items": [
                    {
                        "_name": "USB 10/100/1000 LAN",
                        "bcd_device": "1.01",
                        "bus_power": "500",
                        "bus_power_used": "100",
                        "device_speed": "high_speed",
                        "extra_current_used": "0",
                        "location_id": "0x02100000 / 1",
                        "manufacturer": "a maker",
                        "product_id": "0x0001",
                        "vendor_id": "0x1209",
                    }
                ],
                "_name": "USB31Bus",
                "host_controller": "AppleT6000USBXHCI",
            },
            {"_name": "USB31Bus", "host_controller": "AppleT6000USBXHCI"},
        ],
        (480, ()),
    ),
    # Public tests that hold whole reports of this release: on it SPUSBDataType is an empty list.
    "26": (
        "SPUSBHostDataType",
        [
            {
                "_name": "USB 3.1 Bus",
                "Driver": "AppleT8122USBXHCI",
                "USBKeyHardwareType": "Built-in",
                "USBKeyLocationID": "0x02000000",
            },
            {
                "_items": [
                    {
                        "_items": [
                            {
                                "_name": "USB 10/100/1000 LAN",
                                "USBDeviceKeyLinkSpeed": "5 Gb/s",
                                "USBDeviceKeyPowerAllocation": "4.48 W (896 mA)",
                                "USBDeviceKeyProductID": "0x0001",
                                "USBDeviceKeyVendorID": "0x1209",
                                "USBDeviceKeyVendorName": "a maker",
                                "USBKeyHardwareType": "Removable",
                            }
                        ],
                        "_name": "USB3.1 Hub",
                        "USBDeviceKeyVendorID": "0x1209",
                        "USBDeviceKeyVendorName": "a maker",
                    }
                ],
                "_name": "USB 3.1 Bus",
                "Driver": "AppleT8122USBXHCI",
            },
        ],
        (5000, ()),
    ),
}

# The desk: made, to be changed by test.
IFCONFIG = """\
lo0: flags=8049<UP,LOOPBACK,RUNNING,MULTICAST> mtu 16384
\toptions=1203<RXCSUM,TXCSUM,TXSTATUS,SW_TIMESTAMP>
\tinet 127.0.0.1 netmask 0xff000000
en0: flags=8863<UP,BROADCAST,SMART,RUNNING,SIMPLEX,MULTICAST> mtu 1500
\tether 00:00:5e:00:53:07
\tinet 198.51.100.7 netmask 0xffffff00 broadcast 198.51.100.255
\tmedia: autoselect
\tstatus: active
\tsupported media:
\t\tmedia autoselect
en7: flags=8863<UP,BROADCAST,SMART,RUNNING,SIMPLEX,MULTICAST> mtu 1500
\toptions=50b<RXCSUM,TXCSUM,VLAN_HWTAGGING,AV,CHANNEL_IO>
\tether 00:00:5e:00:53:10
\tinet 192.0.2.10 netmask 0xffffff00 broadcast 192.0.2.255
\tnd6 options=201<PERFORMNUD,DAD>
\tmedia: {media}
\tstatus: {status}
\tsupported media:
\t\tmedia autoselect
\t\tmedia 100baseTX mediaopt full-duplex
\t\tmedia 1000baseT mediaopt full-duplex mediaopt flow-control mediaopt energy-efficient-ethernet
\t\tmedia none
bridge0: flags=8863<UP,BROADCAST,SMART,RUNNING,SIMPLEX,MULTICAST> mtu 1500
\tether 00:00:5e:00:53:20
\tConfiguration:
\t\tid 0:0:0:0:0:0 priority 0 hellotime 0 fwddelay 0
\tmember: {member} flags=3<LEARNING,DISCOVER>
\t        ifmaxaddr 0 port 5 priority 0 path cost 0
\tmedia: <unknown type>
\tstatus: inactive
utun0: flags=8051<UP,POINTOPOINT,RUNNING,MULTICAST> mtu 1380
"""
SLEEPY = "autoselect (1000baseT <full-duplex,flow-control,energy-efficient-ethernet>)"
AWAKE = "autoselect (1000baseT <full-duplex>)"

PORTS = """
Hardware Port: Wi-Fi
Device: en0
Ethernet Address: 00:00:5e:00:53:07

Hardware Port: USB 10/100/1000 LAN
Device: en7
Ethernet Address: 00:00:5e:00:53:10

Hardware Port: Thunderbolt Bridge
Device: bridge0
Ethernet Address: N/A

VLAN Configurations
===================
"""


def ethernet(bus: str = "spethernet_usb_device", name: str = "en7", **more: str) -> str:
    adapter = {
        "_name": "ethernet",
        "spethernet_BSD_Device_Name": name,
        "spethernet_bus": bus,
        "spethernet_driver": "org.example.driver",
        "spethernet_mac_address": "00:00:5e:00:53:10",
        **more,
    }
    return json.dumps({"SPEthernetDataType": [adapter]})


IDS = {"spethernet_vendor-id": "0x1209", "spethernet_product-id": "0x0001"}


def usb_host(speed: str, *, in_hub: bool) -> str:
    """The tree of newer systems: a bus, perhaps a hub with a disk, the adapter."""
    adapter = {
        "_name": "USB 10/100/1000 LAN",
        "USBDeviceKeyVendorID": "0x1209",
        "USBDeviceKeyProductID": "0x0001",
        "USBDeviceKeyLinkSpeed": speed,
        "USBKeyHardwareType": "Removable",
    }
    disk = {"_name": "a disk", "USBDeviceKeyVendorID": "0x1209", "USBDeviceKeyProductID": "0x0002"}
    hub = {"_name": "a hub", "USBDeviceKeyVendorID": "0x1209", "_items": [adapter, disk]}
    bus = {
        "_name": "USB 3.1 Bus",
        "USBKeyHardwareType": "Built-in",
        "_items": [hub] if in_hub else [adapter, disk],
    }
    return json.dumps({"SPUSBHostDataType": [bus]})


def usb_older(speed: str) -> str:
    """The tree of older systems."""
    adapter = {
        "_name": "USB 10/100/1000 LAN",
        "vendor_id": "0x1209  (a maker)",
        "product_id": "0x0001",
        "device_speed": speed,
        "location_id": "0x01100000 / 3",
    }
    return json.dumps({"SPUSBDataType": [{"_name": "USB31Bus", "_items": [adapter]}]})


MAINS = (
    "Now drawing from 'AC Power'\n -InternalBattery-0 (id=1)\t100%; charged; 0:00 remaining present: true\n"
)
BATTERY = "Now drawing from 'Battery Power'\n -InternalBattery-0 (id=1)\t64%; discharging; 3:10 remaining present: true\n"
POWER = """\
System-wide power settings:
Currently in use:
 standby              1
 Sleep On Power Button 1
 lowpowermode         {low}
 hibernatefile        /var/vm/sleepimage
 sleep                {sleep}
 displaysleep         10
"""
FORWARDING = "net.inet.ip.forwarding: {}\nnet.inet6.ip6.forwarding: 0\n"


def settings(method: str = "Manual", **more: object) -> dict[str, object]:
    """preferences.plist with a set in use that has one service on en7."""
    service = {
        "Interface": {"DeviceName": "en7", "Hardware": "Ethernet"},
        "IPv4": {"ConfigMethod": method, **({"Addresses": ["192.0.2.10"]} if method == "Manual" else {})},
    }
    left_over = {"Interface": {"DeviceName": "en7"}, "IPv4": {"ConfigMethod": "DHCP"}}
    return {
        "CurrentSet": "/Sets/0001",
        "NetworkServices": {"000A": service, "000B": left_over, **more},
        "Sets": {"0001": {"Network": {"Service": {"000A": {"__LINK__": "/NetworkServices/000A"}}}}},
    }
