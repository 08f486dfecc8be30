"""VLAN tags where a device's port should show none.

Strategy: a switch takes the tag off before it hands a frame to an access port, so a tag with a VLAN number there says
that the port is set up as a trunk, or that frames leak. A tag with number 0 only carries a priority. A mirror may
show the tags of the trunk it copies, and a computer that sends tagged frames itself was set up for that.
"""

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.checks.say import count_text, what, who
from preflight.checks.wire_subject import enough, unheard
from preflight.facts import Facts

CHECK = Check(
    name="vlan-tags",
    subject="wire",
    order=240,
    asks=View,
    question="Do frames carry VLAN tags on a port that should show none?",
    looks_at="The IEEE 802.1Q tag of every frame: VLAN number and priority, and who sends tagged frames.",
    why="Most devices drop tagged frames. Audio that arrives with a tag is not heard, and two VLANs on one port mix networks.",
    limits=(
        Limit("fail_frames", 10, "tagged frames that came in at an access port", "common practice"),
        Limit("highest_vlan", 4094, "VLAN number", "IEEE 802.1Q"),
    ),
    sources=("IEEE 802.1Q: VLAN number 0 is a priority tag without VLAN",),
    fixes=(
        "On the switch, set the port of this computer to access (untagged) in the audio VLAN.",
        "Tagged frames of one device only? Turn VLAN tagging off in that device.",
        "Is this a trunk or mirror port? Then run the line check at a port like those of the devices.",
        "Run the line check again.",
    ),
    cautions=("A port set to the wrong VLAN cuts off what is behind it. Change one port at a time.",),
    unproven="Listen for at least one second.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.source is None or facts.tally is None:
        return unheard(CHECK, facts)
    if blocked := unheard(CHECK, facts):
        return blocked
    limits = CHECK.values()
    own = {talker.hardware for talker in facts.tally.talkers if talker.own}
    tagged = sorted((f for f in facts.tally.flows if f.vlan), key=lambda f: -f.frames)
    vlans = sorted({f.vlan for f in tagged if f.vlan})
    untagged = sum(f.frames for f in facts.tally.flows if not f.vlan)
    priority = sum(f.frames for f in facts.tally.flows if f.vlan == 0)
    measured = {
        "vlans": vlans[:32],
        "tagged_frames": sum(f.frames for f in tagged),
        "untagged_frames": untagged,
        "priority_tagged_frames": priority,
        "priorities": sorted({f.pcp for f in facts.tally.flows if f.pcp is not None}),
    }
    if not tagged:
        if short := enough(CHECK, facts, 1.0):
            return short
        headline = "No frame carries a VLAN tag."
        if priority:
            headline = f"{count_text(priority)} frames carry a priority tag without VLAN; that is harmless."
        return Finding(CHECK.name, Outcome.PASS, headline, measured=measured, limits=limits)
    meant = {f.vlan for f in tagged if f.source in own}
    came_in = sum(f.frames for f in tagged if f.vlan not in meant)
    failed = facts.vantage == "access port" and came_in >= limits["fail_frames"]
    named = ", ".join(map(str, vlans[:8])) + (" ..." if len(vlans) > 8 else "")
    headline = f"{count_text(sum(f.frames for f in tagged))} frames carry the tag of VLAN {named}"
    if len(vlans) > 1 or untagged:
        headline += f"; {count_text(untagged)} carry none" if untagged else "; VLANs are mixed here"
    if facts.vantage == "mirror":
        headline += ". A mirror or trunk port shows tags; a device's port must not"
    return Finding(
        CHECK.name,
        Outcome.FAIL if failed else Outcome.CAUTION,
        headline + ".",
        evidence=tuple(
            Evidence(
                f"VLAN {f.vlan}, priority {f.pcp}: {count_text(f.frames)} frames of {what(f)} from "
                + ("this computer" if f.source in own else who(f.source, f.source_ip)),
                frame=f.first_frame,
                time_s=f.first_s,
            )
            for f in tagged[:6]
        ),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=tuple(dict.fromkeys(f.source for f in tagged if f.source))[:16],
        spans=((min(f.first_s for f in tagged), max(f.last_s for f in tagged)),),
    )
