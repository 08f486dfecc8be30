"""Which devices of the rig sheet are not there.

Strategy: a device that is not heard is not missing yet, for a switch passes on little of what a device sends.
It is missing where it should have been heard here: its planned stream is due at this port and does not come;
it speaks more often than this (as the sheet learned, and the others keep to what it learned of them); or
somebody asks for it in vain.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from preflight.checks.asks import PlannedWire
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import AGAIN, Check, Explains, Limit
from preflight.checks.say import counted, listed, who
from preflight.checks.says import Limits, Measured, Says, fail, passed, unproven
from preflight.checks.see.inventory import Inventory, Planned, identifiable, planned_streams, take_inventory
from preflight.checks.step import now
from preflight.wire.arp import ArpMessage

if TYPE_CHECKING:
    from preflight.rig.sheet import Device

CHECK = Check(
    name="missing",
    subject="wire",
    order=140,
    asks=PlannedWire,
    explains=(Explains(("stream-plan",), "culprit"),),
    question="Is everything on the rig sheet there?",
    looks_at=(
        "Each device on the rig sheet (--sheet FILE): whether it is heard. If not: whether its stream is "
        "due here, whether it speaks more often than this, whether somebody asks for its address in vain."
    ),
    why="A box that is off, unplugged or set wrong is silent. Better to find it now than at its first cue.",
    limits=(
        Limit("silences", 3, "times its longest usual silence", "common practice"),
        Limit("others", 0.5, "share of the others that keep to what was learned of them", "common practice"),
        Limit("asked_times", 3, "times that its address is asked for in vain", "common practice; RFC 826"),
        Limit("asked_for_s", 2, "s from the first to the last of these", "common practice"),
    ),
    sources=("The rig sheet", "RFC 826: who asks for an address, and the answer"),
    fixes=(
        now("Is it on? Look at its lamps, and at the lamp of the switch port that the sheet names."),
        now("Is its cable in? Plug it in until it clicks, or try another cable."),
        now("Are its address and network settings as on the sheet?"),
        now("Did you swap it for another? Write the new hardware address on the rig sheet."),
        AGAIN,
    ),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven=(
        "Silence is no proof. Listen for a minute, or at a mirror port, or look at the lamp of its switch "
        "port. A sheet drafted by `preflight sheet learn` knows who speaks how often."
    ),
)
SHOWN_NAMES = 4


def judge(wire: PlannedWire, limits: Limits) -> Says:
    devices = wire.sheet.device
    if not devices:
        return
    inventory, planned = take_inventory(wire, wire.sheet), planned_streams(wire, wire.sheet)
    absent = [device for device in devices if not inventory.present[device.name]]
    proofs = {device.name: _proof(wire, limits, inventory, planned, device) for device in absent}
    missing = [device for device in absent if proofs[device.name]]
    silent = [device for device in absent if device not in missing]
    yield Measured(
        {
            "on_the_sheet": len(devices),
            "heard": len(devices) - len(absent),
            "missing": [device.name for device in missing],
            "not_heard": [device.name for device in silent],
        }
    )
    if missing:
        yield fail(
            f"{_named(missing)} {'is' if len(missing) == 1 else 'are'} missing.",
            filter(None, proofs.values()),
            culprits=(device.hardware or device.name for device in missing),
        )
    if unknown := [device for device in silent if not identifiable(device)]:
        yield unproven(f"The sheet does not tell how to know {_named(unknown)}: give a hardware address.")
    elif silent:
        were = "was" if len(silent) == 1 else "were"
        yield unproven(f"{_named(silent)} {were} not heard, which may have reasons.")
    yield passed(f"All {counted(len(devices), 'device')} of the rig sheet were heard.")


def _named(devices: list[Device]) -> str:
    """All of them where they count up, box 3–16; else the first."""
    names = [
        f"{device.name} (the spare for {device.spare_for})" if device.spare_for else device.name
        for device in devices
    ]
    if len(told := listed(names).split(", ")) <= SHOWN_NAMES:
        return ", ".join(told)
    return ", ".join(names[:SHOWN_NAMES]) + f" and {len(names) - SHOWN_NAMES} more"


def _proof(
    wire: PlannedWire, limits: Limits, inventory: Inventory, planned: Iterable[Planned], device: Device
) -> Evidence | None:
    """What shows that a device which was not heard is not there."""
    if not identifiable(device):
        return None
    for each in planned:
        if each.due and not each.heard and each.stream.sender == device.name:
            return Evidence(f"{device.name}: its stream “{each.stream.name}” is due here, and does not come")
    listened = wire.source.duration_s
    if device.speaks_every_s and listened >= limits["silences"] * device.speaks_every_s:
        others = [each for each in wire.sheet.device if each.speaks_every_s and each is not device]
        here = [each.name for each in others if inventory.present[each.name]]
        if others and len(here) >= limits["others"] * len(others):
            return Evidence(
                f"{device.name} speaks every {device.speaks_every_s:g} s when all is well, and was silent "
                f"for {listened:.1f} s; {', '.join(here[:3])} spoke"
            )
    return _asked_in_vain(wire, limits, device)


def _asked_in_vain(wire: PlannedWire, limits: Limits, device: Device) -> Evidence | None:
    """Whoever gets an answer asks once or twice; the answer itself may go to the asker alone."""
    asked: dict[str, list[ArpMessage]] = {}
    for message in wire.heard(ArpMessage):
        # A probe has no sender's address: it looks whether anybody has this one, and wants no answer (RFC
        # 5227).
        if message.op == 1 and message.target_address == device.address and message.sender_address:
            asked.setdefault(message.sender_hardware, []).append(message)
    for asker, messages in asked.items():
        last, spent_s = messages[-1].seen, messages[-1].seen.time_s - messages[0].seen.time_s
        if len(messages) >= limits["asked_times"] and spent_s >= limits["asked_for_s"]:
            return Evidence(
                f"{who(asker)} asks for {device.name} ({device.address}) again and again, {len(messages)} "
                "times, and it does not speak",
                last.frame,
                last.time_s,
            )
    return None
