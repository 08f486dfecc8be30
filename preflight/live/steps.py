"""What may be done about an alarm while the show goes on: one step each, and what has to wait for a break.

The fixes of a check are for before doors: many of them interrupt audio. A step that stands here does not, or touches only what
has stopped already. Where there is none, the step is to leave it alone. Common practice.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Step:
    """`now` may be done during the show; `wait` interrupts audio, and says so."""

    now: str
    wait: str = ""


LEAVE = "Touch nothing while it plays. Write the time down, and mend it in the next break."
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

OTHERWISE = Step(LEAVE)
STEPS = {
    "link": Step(
        "Mute this computer's channels. Then push its plug in at both ends, and see that the switch is on.",
        RESTART,
    ),
    "silence": Step("Look at the lamp of this computer's port: is the plug in, is the switch on?", RESTART),
    "loop": Step(
        "Mute the PA and all in-ear mixes. Then pull one of two cables that join the same two switches.",
        "Do not turn spanning tree on: that stops all ports for a while.",
    ),
    "broadcast-storm": Step("Is the sender named here no part of the audio? Unplug it.", SENDER),
    "multicast-storm": Step(
        "Close the program that sends so much. Is the sender no part of the audio? Unplug it.", SENDER
    ),
    "stray-dhcp": Step("Find the server named here. Is it no part of the audio? Unplug it.", READDRESS),
    "stray-router": Step("Find the router named here. Is it no part of the audio? Unplug it.", READDRESS),
    "house-network": Step("Unplug the cable to the wall socket, the office switch or the router.", READDRESS),
    "wifi-bridge": Step("Unplug the wireless router or access point, if no audio goes through it."),
    "control-plan": Step(STRANGE, READDRESS),
    "strangers": Step(STRANGE),
    "address-clash": Step("Is one of the two a spare that does not play? Unplug it.", READDRESS),
    "name-clash": Step(LEAVE, "Do not rename or restart devices: that interrupts their audio."),
    "address-plan": Step(LEAVE, READDRESS),
    "missing": Step(LOOSE),
    "clock": Step(
        LOOSE,
        "Do not change priorities, nor restart a box: all that follows the clock falls silent until it has locked again.",
    ),
    "clock-plan": Step(LEAVE, "A change of priorities silences all that follows the clock for a while."),
    "sample-clock": Step(LEAVE, "A device falls silent while its clock or sample rate is changed."),
    "stream-health": Step(LOOSE, "Do not swap a cable that plays, nor change buffers: both interrupt audio."),
    "beat-health": Step(LOOSE, "Do not swap a cable that is in use: that interrupts what goes through it."),
    "shared-group": Step("Is one of the two senders a spare that nobody listens to? Stop its stream."),
    "stream-plan": Step(LEAVE, "A stream stops while its settings are changed."),
    "stream-names": Step(LEAVE, "A stream stops while its settings are changed."),
    "link-load": Step("Stop what the show does not need: file copies, updates, video.", SNOOPING),
    "unicast-flood": Step("Is the addressee off or unplugged? Mute its channels, then put it back.", RESTART),
    "pause-frames": Step(
        "Stop what the show does not need of the device that sends them: file copies, updates.", SWITCHED
    ),
    "spanning-tree": Step(
        LEAVE, "A switch that is plugged in or out has the tree form anew: audio stops for seconds."
    ),
    "multicast-control": Step(LEAVE, SNOOPING),
    "querier-plan": Step(LEAVE, SNOOPING),
    "vlan-tags": Step(LEAVE, SWITCHED),
    "priority": Step(LEAVE, SWITCHED),
    "frame-size": Step(LEAVE, "A device restarts its network when its frame size is changed."),
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
        Step(LEAVE, ADAPTER),
    ),
    "computer-power": Step("Plug in this computer's power supply, and see that it charges."),
    "computer-load": Step(
        "Close the programs that the show does not need.",
        "Do not restart this computer: its audio would end.",
    ),
    "capture-quality": Step("Close the programs that the show does not need."),
}
"""By what an event is about."""


def step(topic: str) -> Step:
    return STEPS.get(topic, OTHERWISE)
