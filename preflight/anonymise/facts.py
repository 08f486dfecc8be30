"""What this computer says of itself, and the rig sheet, under the same replacements as the frames.

Numbers stay, and so do words of which there are few (kinds, origins, drivers). Every text that is not known
to be one of these is taken for a name.
"""

import re
from dataclasses import replace

from preflight.anonymise.cover import Cover
from preflight.host.facts import Adapter, Address, HostFacts
from preflight.rig.sheet import Sheet

# Adapters as systems name them: eth0, enp3s0, en0, Ethernet 2. One that holds a hardware address does not
# stay.
_PLAIN = re.compile(r"(?:lo|eth|en[ops]|wlan|wl[ops]|en|usb|br|bond|docker|veth|virbr|tap|tun|utun|awdl|llw|bridge)"
                    r"(?:\d{1,3}(?:[spfdnv]\d{1,3}){0,4})?|(?:Ethernet|Wi-Fi)(?: \d{1,3})?")  # fmt: skip
_DRIVER = re.compile(r"[a-z0-9_+-]{1,20}")


def adapter_name(name: str, cover: Cover) -> str:
    return name if _PLAIN.fullmatch(name) else cover.label(name)


def host_of(host: HostFacts, cover: Cover) -> HostFacts:
    plan = cover.label(host.power.plan) if host.power.plan else host.power.plan
    return replace(
        host,
        adapters=tuple(_adapter(each, cover) for each in host.adapters),
        power=replace(host.power, plan=plan),
    )


def _adapter(adapter: Adapter, cover: Cover) -> Adapter:
    usb = adapter.usb
    if usb is not None and usb.beside is not None:
        usb = replace(usb, beside=tuple(map(cover.label, usb.beside)))
    return replace(
        adapter,
        name=adapter_name(adapter.name, cover),
        kind_reason=adapter.kind_reason.replace(adapter.name, adapter_name(adapter.name, cover)),
        hardware_address=_hardware(adapter.hardware_address, cover),
        permanent_address=_hardware(adapter.permanent_address, cover),
        driver=adapter.driver if adapter.driver and _DRIVER.fullmatch(adapter.driver) else None,
        addresses=tuple(_address(each, cover) for each in adapter.addresses),
        gateways=None if adapter.gateways is None else tuple(_text(each, cover) for each in adapter.gateways),
        master=adapter.master and adapter_name(adapter.master, cover),
        usb=usb,
    )


def _hardware(text: str | None, cover: Cover) -> str | None:
    try:
        return text and cover.mac_text(text)
    except ValueError:
        return cover.label(text or "")


def _address(address: Address, cover: Cover) -> Address:
    return replace(address, text=_text(address.text, cover))


def _text(text: str, cover: Cover) -> str:
    """An address of whatever kind; else a name."""
    try:
        return cover.address_text(text)
    except ValueError:
        pass
    try:
        return cover.mac_text(text)
    except ValueError:
        return cover.label(text)


def sheet_of(sheet: Sheet, cover: Cover) -> Sheet:
    """The sheet to judge anonymised frames by. The makers of devices stay, as they do in hardware
    addresses."""

    def end(text: str) -> str:
        switch, port = sheet.place(text)
        return cover.label(text) if port is None else f"{cover.label(switch)} {port}"

    def maybe(text: str | None) -> str | None:
        return text and _text(text, cover)

    return replace(
        sheet,
        name=cover.label(sheet.name),
        device=tuple(
            replace(
                each,
                name=cover.label(each.name),
                hardware=maybe(each.hardware),
                address=maybe(each.address),
                port=each.port and end(each.port),
                spare_for=each.spare_for and cover.label(each.spare_for),
            )
            for each in sheet.device
        ),
        switch=tuple(
            replace(each, name=cover.label(each.name), hardware=maybe(each.hardware)) for each in sheet.switch
        ),
        cable=tuple(replace(each, a=end(each.a), b=end(each.b)) for each in sheet.cable),
        stream=tuple(
            replace(
                each,
                name=cover.label(each.name),
                sender=cover.label(each.sender),
                receivers=tuple(map(cover.label, each.receivers)),
            )
            for each in sheet.stream
        ),
        control=replace(
            sheet.control, subnet=maybe(sheet.control.subnet), router=maybe(sheet.control.router)
        ),
        dhcp=replace(sheet.dhcp, allowed=tuple(_text(each, cover) for each in sheet.dhcp.allowed)),
        clock=replace(sheet.clock, master=sheet.clock.master and cover.label(sheet.clock.master)),
    )
