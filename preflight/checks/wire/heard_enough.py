"""Whether enough came by to prove anything: a network that is dead, or not listened to, must never be called
ready.

A rig at work shows by its audio, by its clock, or by two devices that speak. What switches say to one another
and to the port (spanning tree, LLDP, CDP, pause frames, who wants which group) comes from a dead rig, too,
and counts for nothing here. Nor does what is wrapped in another frame, by a cipher or a tunnel: no check
looks inside. Troubles that were heard all the same are told by their own checks.
"""

from preflight.checks.asks import Wire
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted, span_text
from preflight.checks.says import Limits, Measured, Says, passed, unproven
from preflight.checks.see.best_master import grandmaster
from preflight.checks.see.silence import hole_s
from preflight.tally.facts import Flow
from preflight.wire.datagram import ESP, GENEVE, GRE, IGMP, UDP, VXLAN

CHECK = Check(
    name="heard-enough",
    subject="wire",
    order=5,
    asks=Wire,
    verdict="needed",
    question="Was enough heard to judge the network at all?",
    looks_at="Audio and other steady flows, clocks, and how many devices speak, this computer among them.",
    why="Over a dead network, or the wrong one, nothing is wrong either. Silence is no proof.",
    limits=(
        Limit("least_s", 2, "s of listening", "common practice"),
        Limit("frames", 10, "frames, where there is neither audio nor a clock", "common practice"),
        Limit(
            "devices", 2, "devices that speak, where there is neither audio nor a clock", "common practice"
        ),
    ),
    least_s="least_s",
    fixes=(),
    unproven=(
        "Switch the rig on and start the audio. See that this is the port and the adapter of the audio LAN "
        "and that its lamp is lit. Then listen for 20 seconds or more."
    ),
)
HOLE_S = 1.0  # a silence so long is not counted as listened. Common practice.
# Between switches, or from a switch to its port: IEEE 802.1D table 7-10, IEEE 802.1AB; CDP from memory.
SWITCHES_OWN = ("01:80:c2:00:00:", "01:00:0c:cc:cc:cc")
# What holds other frames or packets: by EtherType (IEEE 802.1AE, IEC 62439-3), by IP protocol (RFC 2784, RFC
# 4303), by UDP port (RFC 7348, RFC 8926).
WRAPS: dict[tuple[str, int | None], str] = {
    ("ethertype", 0x88E5): "MACsec",
    ("ethertype", 0x892F): "HSR",
    ("protocol", GRE): "GRE",
    ("protocol", ESP): "ESP",
    ("destination_port", VXLAN): "VXLAN",
    ("destination_port", GENEVE): "Geneve",
}
UNWRAP = (
    "Listen where frames go in the clear: at the control computer itself, or at a mirror port of the "
    "switch that its cable goes to.",
    "Is this a mirror that comes by a tunnel? Have it unwrapped, and judge the frames that were in it.",
)


def judge(wire: Wire, limits: Limits) -> Says:
    wraps = [(_wrap(flow), flow) for flow in wire.tally.flows]
    wrapped = {wrap for wrap, _ in wraps if wrap}
    bare = [flow for wrap, flow in wraps if not wrap]
    flows = [flow for flow in bare if flow.source and flow.sane]
    heard = {flow.source for flow in flows if not flow.destination.startswith(SWITCHES_OWN)}
    # By IGMP switches ask, and answer one another.
    speak = heard & {flow.source for flow in flows if flow.protocol != IGMP}
    audio = sum(flow.stream for flow in bare)
    clocks = len({grandmaster(port) for port in wire.tally.clocks if port.clock})
    yield Measured({"devices": len(heard), "audio_flows": audio, "clocks": clocks})
    silent_s = hole_s(wire, 0.0, wire.source.duration_s, HOLE_S)
    listened_s = wire.source.duration_s - silent_s
    if not audio and not clocks and len(speak) < limits["devices"]:
        alone = all(talker.own for talker in wire.tally.talkers if talker.hardware in speak)
        who = ("only this computer" if alone else counted(len(speak), "device")) if speak else "no device"
        beside = ""
        if heard != speak:
            beside = " beside IGMP, which switches speak by themselves"
        elif len(speak) < len({flow.source for flow in flows}):
            beside = " beside what the other end of this cable says"
        if wrapped:
            kinds = " and ".join(sorted(wrapped))
            beside = f" beside what is wrapped in {kinds}: nothing in it was judged"
        yield unproven(f"No audio, no clock, and {who} was heard{beside}.", fixes=UNWRAP if wrapped else None)
    elif not audio and not clocks and wire.source.frames < limits["frames"]:
        frames = counted(wire.source.frames, "frame")
        yield unproven(f"No audio, no clock, and only {frames} of {counted(len(heard), 'device')} came by.")
    elif listened_s < limits["least_s"] <= wire.source.duration_s:
        yield unproven(f"Heard for {listened_s:.1f} s only, beside a silence of {span_text(silent_s)}.")
    else:
        devices = counted(len(heard), "device")
        yield passed(f"Heard: {devices}, {counted(audio, 'audio flow')}, {counted(clocks, 'clock')}.")


def _wrap(flow: Flow) -> str:
    """What wraps its frames; "" where they are bare."""
    port = flow.destination_port if flow.protocol == UDP else None
    told = (("ethertype", flow.ethertype), ("protocol", flow.protocol), ("destination_port", port))
    return next((WRAPS[each] for each in told if each in WRAPS), "")
