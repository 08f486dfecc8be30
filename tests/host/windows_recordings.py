"""What the script of `windows_script` writes on Windows: not recorded, made by its own layout.

Property names are those of the classes and cmdlets that the script asks (MSFT_NetAdapter,
Get-NetAdapterAdvancedProperty, Get-NetAdapterPowerManagement, Get-NetIPInterface, Get-NetIPAddress,
Get-NetRoute, Win32_Battery: learn.microsoft.com); `powercfg` is laid out as published outputs, in English and
in another language. Values of *FlowControl and *SpeedDuplex: NDIS, "Enumeration Keywords". From memory: that
PowerShell 5.1 writes the numbers of NdisPhysicalMedium and MediaDuplexState as numbers, arrays of one element
as arrays, the device ids' forms, and the drivers' own EEE keywords.

How PowerShell writes an array is recorded, though not by us: `FORMS`, each by version with its source, `%s`
in place of the one element. Dates are written differently by 5.1 and 7; the script asks for none.
"""

import json
from typing import Any

QUERY = """\
Power Scheme GUID: 381b4222-f694-41f0-9685-ff5bb260df2e  (Balanced)
  Subgroup GUID: 238c9fa8-0aad-41ed-83f4-97be242c8f20  (Sleep)
    GUID Alias: SUB_SLEEP
    Power Setting GUID: 29f6c1db-86da-48c5-9fdb-f2b67b1f44da  (Sleep after)
      Minimum Possible Setting: 0x00000000
      Maximum Possible Setting: 0xffffffff
      Possible Settings increment: 0x00000001
      Possible Settings units: Seconds
    Current AC Power Setting Index: 0x{:08x}
    Current DC Power Setting Index: 0x00000384
"""
ELSEWHERE = {
    "Current AC Power Setting Index": "Index der aktuellen Wechselstromeinstellung",
    "Current DC Power Setting Index": "Index der aktuellen Gleichstromeinstellung",
    "Minimum Possible Setting": "Minimal mögliche Einstellung",
}


def query(value: int, *, english: bool = True) -> list[str]:
    text = QUERY.format(value)
    for word, other in ELSEWHERE.items() if not english else ():
        text = text.replace(word, other)
    return text.splitlines()


def scheme(guid: str) -> list[str]:
    return [f"Power Scheme GUID: {guid}  (some name)"]


BALANCED, SAVER = "381b4222-f694-41f0-9685-ff5bb260df2e", "a1841308-3541-4fab-bc81-f71556f20b4a"
EFFICIENT = "961cc777-2547-4f9d-8174-7d86181b8a7a"


FORMS = {
    "5.1.14393, through a pipeline": (
        "github.com/PowerShell/PowerShell, issue 3153",
        '{\r\n    "value":  [\r\n                  %s\r\n              ],\r\n    "Count":  1\r\n}',
    ),
    "5.1.17134, an array in an array": (
        "github.com/PowerShell/PowerShell, issue 5579",
        '{"value":[%s],"Count":1}',
    ),
    "5.1, an array in an object": (
        "github.com/PowerShell/PowerShell, issue 3222",
        '{\r\n  "value": [\r\n    %s\r\n  ],\r\n  "Count": 1\r\n}',
    ),
    "5.1 and 7, one element through a pipeline": ("github.com/Badgerati/Pode, issue 845", "%s"),
    "6 and 7": ("github.com/PowerShell/PowerShell, issue 3153, as mended", "[\n    %s\n]"),
}


def as_5_1_writes(parts: dict[str, Any]) -> str:
    """With escapes that no other version writes, and a count at each array."""

    def text(part: Any) -> str:
        if isinstance(part, dict):
            return "{" + ",".join(f"{json.dumps(key)}:{text(value)}" for key, value in part.items()) + "}"
        if isinstance(part, list):
            return '{"value":[' + ",".join(map(text, part)) + f'],"Count":{len(part)}}}'
        told = json.dumps(part)
        for sign in "<>&'":
            told = told.replace(sign, f"\\u{ord(sign):04x}")
        return told

    return text(parts) + "\r\n"


def adapter(name: str, **changed: Any) -> dict[str, Any]:
    return {
        "Name": name,
        "MacAddress": "00-00-5E-00-53-10",
        "PermanentAddress": "00005E005310",
        "Speed": 1_000_000_000,
        "FullDuplex": True,
        "MediaDuplexState": 2,
        "MediaConnectState": 1,
        "InterfaceAdminStatus": 1,
        "InterfaceType": 6,
        "NdisMedium": 0,
        "NdisPhysicalMedium": 14,
        "HardwareInterface": True,
        "Virtual": False,
        "ComponentID": "pci\\ven_1af4&dev_1000",
        "PnPDeviceID": "PCI\\VEN_1AF4&DEV_1000\\3&11583659&0&C8",
        "DriverFileName": "driver.sys",
        **changed,
    }


WIFI = adapter("Wi-Fi", NdisPhysicalMedium=9, MediaDuplexState=0, InterfaceType=71)


def keyword(word: str, value: str, name: str = "Ethernet") -> dict[str, str]:
    return {"Name": name, "RegistryKeyword": word, "Value": value}


def told(**changed: Any) -> dict[str, Any]:
    """A desk as it should be: Ethernet for audio, Wi-Fi for control; changed by part."""
    return {
        "adapters": [adapter("Ethernet"), WIFI],
        "advanced": [keyword("*SpeedDuplex", "0"), keyword("*FlowControl", "0"), keyword("*EEE", "0")],
        "power": [{"Name": "Ethernet", "TurnOff": "Disabled", "Suspend": "Unsupported"}],
        "interfaces": [
            {"InterfaceAlias": name, "InterfaceMetric": 25, "Forwarding": "Disabled", "Dhcp": dhcp}
            for name, dhcp in (("Ethernet", "Disabled"), ("Wi-Fi", "Enabled"))
        ],
        "addresses": [
            {"InterfaceAlias": "Ethernet", "IPAddress": "192.0.2.10", "Origin": "Manual"},
            {"InterfaceAlias": "Ethernet", "IPAddress": "fe80::10%12", "Origin": "WellKnown"},
            {"InterfaceAlias": "Wi-Fi", "IPAddress": "198.51.100.7", "Origin": "Dhcp"},
        ],
        "routes": [{"InterfaceAlias": "Wi-Fi", "NextHop": "198.51.100.1"}],
        "bridged": [],
        "usb": [],
        "batteries": [],
        "scheme": scheme(BALANCED),
        "overlay": ["00000000-0000-0000-0000-000000000000"],
        "throttle": query(100),
        "sleep": query(0),
        "suspend": query(0),
        "service": ["Stopped"],
        "shared": None,
        **changed,
    }


def on_usb(*parents: str, **changed: Any) -> dict[str, Any]:
    """The same with the audio adapter on USB."""
    usb = {"Name": "Ethernet", "Parents": list(parents), "Beside": ["a disk"]}
    device = "USB\\VID_1209&PID_0001\\000001"
    return told(adapters=[adapter("Ethernet", PnPDeviceID=device), WIFI], usb=[usb], **changed)


def written(parts: dict[str, Any]) -> str:
    return json.dumps(parts) + "\r\n"
