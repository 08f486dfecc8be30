"""What may be done about an alarm while the show goes on: one step each, and what has to wait for a break.

The fixes of a check say when they may be done, and most of them interrupt audio. A step that stands here does
not, or touches only what has stopped already. Where there is none, the step is to leave it alone. Until when
follows from the check's own steps, and so does what has to wait, where no better words for it stand here.
Common practice.
"""

from dataclasses import dataclass

from preflight.checks import check_named
from preflight.checks.step import When


@dataclass(frozen=True)
class During:
    """`now` may be done during the show; `wait` interrupts audio, and says so."""

    now: str
    wait: str = ""


LEAVE = "Touch nothing while it plays. Write the time down, and mend it in the next break."
LEAVE_LONGER = "Touch nothing while it plays. Write the time down, and mend it before the next show."
REST = "Everything else about it waits for a break: it interrupts audio."
ALL_AUDIO = "Everything else about it waits until after the show: it can stop all audio."
LOOSE = (
    "See power, lamps and plugs of what is named here. Mute its channels before you push in what is loose."
)
STRANGE = "Is it no part of the show? Unplug it."
RESTART = "Do not restart a switch: that cuts off all that is plugged into it."
ADAPTER = "A change of the adapter's settings or cable interrupts this computer's audio."
READDRESS = "Do not restart devices, nor change their addresses: that interrupts their audio."
SNOOPING = "A change of multicast settings can stop every stream."
SENDER = "A box that plays stays plugged in until the break: its audio would end."
SWITCHED = "A change of switch settings can interrupt every stream."

OTHERWISE = During(LEAVE)
STEPS = {
    "link": During(
        "Mute this computer's channels. Then push its plug in at both ends, and see that the switch is on.",
        RESTART,
    ),
    "silence": During("Look at the lamp of this computer's port: is the plug in, is the switch on?", RESTART),
    "loop": During(
        "Mute the PA and all in-ear mixes. Then pull one of two cables that join the same two switches.",
        "Do not turn spanning tree on: that stops all ports for a while.",
    ),
    "broadcast-storm": During("Is the sender named here no part of the audio? Unplug it.", SENDER),
    "multicast-storm": During(
        "Close the program that sends so much. Is the sender no part of the audio? Unplug it.", SENDER
    ),
    "stray-dhcp": During("Find the server named here. Is it no part of the audio? Unplug it.", READDRESS),
    "stray-router": During("Find the router named here. Is it no part of the audio? Unplug it.", READDRESS),
    "house-network": During(
        "Unplug the cable to the wall socket, the office switch or the router.", READDRESS
    ),
    "wifi-bridge": During("Unplug the wireless router or access point, if no audio goes through it."),
    "control-plan": During(STRANGE, READDRESS),
    "strangers": During(STRANGE),
    "address-clash": During("Is one of the two a spare that does not play? Unplug it.", READDRESS),
    "name-clash": During(LEAVE, "Do not rename or restart devices: that interrupts their audio."),
    "address-plan": During(LEAVE, READDRESS),
    "missing": During(LOOSE),
    "clock": During(
        LOOSE,
        "Do not change priorities, nor restart a box: all that follows the clock falls silent until it has "
        "locked again.",
    ),
    "clock-plan": During(LEAVE, "A change of priorities silences all that follows the clock for a while."),
    "sample-clock": During(LEAVE, "A device falls silent while its clock or sample rate is changed."),
    "falls-silent": During(LOOSE, "Do not swap a cable that plays: that interrupts what goes through it."),
    "stream-health": During(
        LOOSE, "Do not swap a cable that plays, nor change buffers: both interrupt audio."
    ),
    "beat-health": During(LOOSE, "Do not swap a cable that is in use: that interrupts what goes through it."),
    "shared-group": During("Is one of the two senders a spare that nobody listens to? Stop its stream."),
    "stream-plan": During(LEAVE, "A stream stops while its settings are changed."),
    "stream-names": During(LEAVE, "A stream stops while its settings are changed."),
    "link-load": During("Stop what the show does not need: file copies, updates, video.", SNOOPING),
    "unicast-flood": During(
        "Is the addressee off or unplugged? Mute its channels, then put it back.", RESTART
    ),
    "pause-frames": During(
        "Stop what the show does not need of the device that sends them: file copies, updates.", SWITCHED
    ),
    "spanning-tree": During(
        LEAVE, "A switch that is plugged in or out has the tree form anew: audio stops for seconds."
    ),
    "multicast-control": During(LEAVE, SNOOPING),
    "querier-plan": During(LEAVE, SNOOPING),
    "vlan-tags": During(LEAVE, SWITCHED),
    "priority": During(LEAVE, SWITCHED),
    "frame-size": During(LEAVE, "A device restarts its network when its frame size is changed."),
    **dict.fromkeys(
        (
            "adapter-kind",
            "adapter-bus",
            "adapter-sleep",
            "addressing",
            "control-network",
            "duplex",
            "flow-control",
            "link-errors",
            "link-speed",
            "mtu",
            "neighbours",
            "shared-connection",
        ),
        During(LEAVE, ADAPTER),
    ),
    "computer-power": During("Plug in this computer's power supply, and see that it charges."),
    "computer-load": During(
        "Close the programs that the show does not need.",
        "Do not restart this computer: its audio would end.",
    ),
    "capture-quality": During("Close the programs that the show does not need."),
}
"""By what an event is about."""


def step(topic: str) -> During:
    known, check = STEPS.get(topic, OTHERWISE), check_named(topic)
    times = {each.when for each in check.steps} if check is not None else set()
    if When.DOORS in times:
        return During(known.now.replace(LEAVE, LEAVE_LONGER), known.wait or ALL_AUDIO)
    return During(known.now, known.wait or REST) if When.BREAK in times else known
