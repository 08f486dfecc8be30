"""Whether each device has the IP address that the rig sheet gives it, and nobody else has that."""

from ipaddress import ip_address

from preflight.checks.asks import PlannedWire
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check
from preflight.checks.say import counted, who
from preflight.checks.says import Limits, Measured, Says, fail, passed, unproven
from preflight.checks.see.inventory import addresses_of, owners_of, take_inventory
from preflight.checks.step import now

CHECK = Check(
    name="address-plan",
    subject="wire",
    order=210,
    asks=PlannedWire,
    question="Does each device have the IP address that the rig sheet gives it?",
    looks_at="The addresses that each device of the rig sheet (--sheet FILE) sends from, and who else "
    "sends from them.",
    why="A device with another address is there and cannot be reached: what is set up for it looks for the "
    "old address.",
    sources=("The rig sheet", "RFC 826: addresses told by ARP"),
    fixes=(
        "Set the device's address as the rig sheet says, or write the new address on the sheet.",
        now("Is it set to automatic? Then a DHCP server gave it the address: see stray-dhcp."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen until the devices have spoken from their addresses: a minute, or at a mirror port.",
)


def judge(wire: PlannedWire, _limits: Limits) -> Says:
    devices = [device for device in wire.sheet.device if device.hardware and device.address]
    if not devices:
        return
    owners, present = owners_of(wire), take_inventory(wire, wire.sheet).present
    name_of = {device.hardware: device.name for device in wire.sheet.device if device.hardware}
    right = wrong = 0
    for device in devices:
        hardware, address = device.hardware or "", device.address or ""
        version, talkers = ip_address(address).version, present[device.name]
        has = {
            each
            for each in addresses_of(owners, talkers)
            if (ip := ip_address(each)).version == version and not (version == 6 and ip.is_link_local)
        }
        if address in has:
            right += 1
            continue
        if has:
            wrong += 1
            listed = ", ".join(sorted(has)[:3])
            said = f"{device.name} ({hardware}) sends from {listed}; the sheet says {address}"
            yield fail(
                f"{device.name} has {listed}, not {address}.",
                [Evidence(said, talkers[0].first_frame)],
                culprits=[hardware],
            )
        if others := sorted(owners.get(address, set()) - {hardware}):
            wrong += 1
            taker = name_of.get(others[0]) or who(others[0])
            yield fail(f"{taker} has the address of {device.name}, {address}.", culprits=others[:1])
    yield Measured({"right": right, "wrong": wrong})
    if right:
        yield passed(f"The addresses of {counted(right, 'device')} are as on the rig sheet.")
    elif not wrong:
        yield unproven("No device of the rig sheet spoke from an address.")
