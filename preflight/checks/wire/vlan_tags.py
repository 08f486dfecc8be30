"""VLAN tags where a device's port should show none.

Strategy: a switch takes the tag off before it hands a frame to an access port, so a tag with a VLAN number
there says that the port is set up as a trunk, or that frames leak. A tag with number 0 only carries a
priority. A mirror may show the tags of the trunk it copies, and a computer that sends tagged frames itself
was set up for that.
"""

from preflight.checks.asks import Wire
from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.say import count_text, counted, what, who
from preflight.checks.says import Limits, Measured, Says, passed, trouble
from preflight.checks.see.flows import lived, shown
from preflight.checks.step import in_a_break, managed, now, unmanaged

CHECK = Check(
    name="vlan-tags",
    subject="wire",
    order=240,
    asks=Wire,
    question="Do frames carry VLAN tags on a port that should show none?",
    looks_at="The IEEE 802.1Q tag of every frame: VLAN number and priority, and who sends tagged frames.",
    why="Most devices drop tagged frames. Audio that arrives with a tag is not heard, and two VLANs on one "
    "port mix networks.",
    limits=(
        Limit("fail_frames", 10, "tagged frames that came in at an access port", "common practice"),
        Limit("least_s", 1, "s of listening, to show that there is none", "common practice"),
    ),
    least_s="least_s",
    sources=(
        "IEEE 802.1Q: VLAN number 0 is a priority tag without VLAN",
        "IEEE 802.1BA: streams with a reservation are tagged up to the listener's port, from memory",
    ),
    fixes=(
        managed(in_a_break("Set the port of this computer to access (untagged) in the audio VLAN.")),
        "Tagged frames of one device only? Turn VLAN tagging off in that device.",
        unmanaged(
            now("It passes tags on: look for the device, or the trunk of another switch, that sends them.")
        ),
        now("Is this a trunk or mirror port? Then run the line check at a port like those of the devices."),
        AGAIN,
    ),
    cautions=("A port set to the wrong VLAN cuts off what is behind it. Change one port at a time.",),
    unproven="Listen for at least one second.",
)

AVTP = 0x22F0  # IEEE 1722


def judge(wire: Wire, limits: Limits) -> Says:
    flows = wire.tally.flows
    reserved = [f for f in flows if f.vlan and f.ethertype == AVTP]
    tagged = sorted((f for f in flows if f.vlan and f.ethertype != AVTP and f.sane), key=lambda f: -f.frames)
    vlans = sorted({f.vlan for f in tagged if f.vlan})
    frames = sum(f.frames for f in tagged)
    untagged = sum(f.frames for f in flows if not f.vlan)
    priority = sum(f.frames for f in flows if f.vlan == 0)
    yield Measured(
        {
            "vlans": vlans[:32],
            "tagged_frames": frames,
            "untagged_frames": untagged,
            "priority_tagged_frames": priority,
            "reserved_stream_frames": sum(f.frames for f in reserved),
            "priorities": sorted({f.pcp for f in flows if f.pcp is not None}),
        }
    )
    if not tagged and reserved:
        names = ", ".join(str(vlan) for vlan in sorted({f.vlan for f in reserved if f.vlan})[:8])
        yield passed(
            f"AVTP streams carry the tag of their reservation, VLAN {names}; nothing else carries one."
        )
    elif not tagged:
        yield passed(
            f"{_carry(priority)} a priority tag without VLAN; that is harmless."
            if priority
            else "No frame carries a VLAN tag."
        )
    if not tagged:
        return
    own = {talker.hardware for talker in wire.tally.talkers if talker.own}
    meant = {f.vlan for f in tagged if f.source in own}
    came_in = sum(f.frames for f in tagged if f.vlan not in meant)
    named = ", ".join(map(str, vlans[:8])) + (" ..." if len(vlans) > 8 else "")
    headline = f"{_carry(frames)} the tag of VLAN {named}"
    if untagged:
        headline += f"; {count_text(untagged)} {'carries' if untagged == 1 else 'carry'} none"
    elif len(vlans) > 1:
        headline += "; VLANs are mixed here"
    if wire.vantage == "mirror":
        headline += ". A mirror or trunk port shows tags; a device's port must not"
    yield trouble(
        Outcome.FAIL
        if wire.vantage == "access port" and came_in >= limits["fail_frames"]
        else Outcome.CAUTION,
        headline + ".",
        [
            shown(
                f"VLAN {f.vlan}, priority {f.pcp}: {counted(f.frames, 'frame')} of {what(f)} from "
                + ("this computer" if f.source in own else who(f.source, f.source_ip)),
                f,
            )
            for f in tagged[:6]
        ],
        culprits=list(dict.fromkeys(f.source for f in tagged if f.source))[:16],
        spans=[lived(tagged)],
    )


def _carry(frames: int) -> str:
    return f"{counted(frames, 'frame')} {'carries' if frames == 1 else 'carry'}"
