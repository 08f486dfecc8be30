"""Whether each device has the IP address that the rig sheet gives it, and nobody else has that."""

from ipaddress import ip_address

from preflight.checks.asks import View
from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check
from preflight.checks.say import who
from preflight.checks.see.roll import addresses_of, owners_of, roll
from preflight.checks.wire_subject import unheard
from preflight.facts import Facts

CHECK = Check(
    name="address-plan",
    subject="wire",
    order=210,
    asks=View,
    question="Does each device have the IP address that the rig sheet gives it?",
    looks_at="The addresses that each device of the rig sheet (--sheet FILE) sends from, and who else sends from them.",
    why="A device with another address is there and cannot be reached: what is set up for it looks for the old address.",
    sources=("The rig sheet", "RFC 826: addresses told by ARP"),
    fixes=(
        "Set the device's address as the rig sheet says, or write the new address on the sheet.",
        "Is it set to automatic? Then a DHCP server gave it the address: see stray-dhcp.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),
    unproven="Listen until the devices have spoken from their addresses: a minute, or at a mirror port.",
)


def judge(facts: Facts) -> Finding | None:
    sheet = facts.sheet
    if sheet is None or not any(device.hardware and device.address for device in sheet.device):
        return None
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    owners, called = owners_of(facts), roll(facts, sheet)
    name_of = {device.hardware: device.name for device in sheet.device if device.hardware}
    wrong: list[tuple[str, str, Evidence]] = []
    right = 0
    for device in sheet.device:
        if not device.hardware or not device.address:
            continue
        version = ip_address(device.address).version
        has = {
            each
            for each in addresses_of(owners, called.present[device.name])
            if (ip := ip_address(each)).version == version and not (version == 6 and ip.is_link_local)
        }
        others = sorted(owners.get(device.address, set()) - {device.hardware})
        first = called.present[device.name][0].first_frame if called.present[device.name] else None
        if device.address in has:
            right += 1
        elif has:
            told = ", ".join(sorted(has)[:3])
            wrong.append(
                (
                    device.hardware,
                    f"{device.name} has {told}, not {device.address}",
                    Evidence(
                        f"{device.name} ({device.hardware}) sends from {told}; the sheet says {device.address}",
                        first,
                    ),
                )
            )
        if others and device.address not in has:
            taker = name_of.get(others[0]) or who(others[0])
            text = f"{taker} has the address of {device.name}, {device.address}"
            wrong.append((others[0], text, Evidence(text)))
    measured = {"right": right, "wrong": len(wrong)}
    if wrong:
        more = f" And {len(wrong) - 1} more." if len(wrong) > 1 else ""
        return Finding(
            CHECK.name,
            Outcome.FAIL,
            f"{wrong[0][1]}.{more}",
            evidence=tuple(evidence for _, _, evidence in wrong[:8]),
            measured=measured,
            fixes=CHECK.fixes,
            cautions=CHECK.cautions,
            culprits=tuple(dict.fromkeys(hardware for hardware, _, _ in wrong)),
        )
    if right:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"The addresses of {right} devices are as on the rig sheet.",
            measured=measured,
        )
    return Finding(
        CHECK.name,
        Outcome.UNPROVEN,
        "No device of the rig sheet spoke from an address.",
        measured=measured,
        fixes=(CHECK.unproven,),
    )
