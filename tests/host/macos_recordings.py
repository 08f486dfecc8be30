"""What macOS commands write. None was recorded by us.

Layouts are those of outputs that people published (addresses and names put in their place are ours): `ifconfig` with
`media: autoselect (1000baseT <full-duplex,flow-control,energy-efficient-ethernet>)`, `status:` and, with -m, the lines
`media 1000baseT mediaopt full-duplex` under `supported media:`; `networksetup -listallhardwareports`; `pmset -g batt`.
The keys of `system_profiler -json` are those that several public programs read, with the values `high_speed` and
`super_speed` (seen in one inventory), `480 Mb/s` and `5 Gb/s`. From memory: the exact spacing, `pmset -g`, `sysctl`, the
settings files' keys (SystemConfiguration's schema names them), `spethernet_thunderbolt`.
"""

import json

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


def ethernet(bus: str = "spethernet_usb_device", **more: str) -> str:
    adapter = {
        "_name": "ethernet",
        "spethernet_BSD_Device_Name": "en7",
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
