"""The drill: break a healthy rig in one way after another, and measure what the product finds.

A table of faults, each in several sizes and places, beside healthy variants that look like trouble. Every
variant is recorded in the lab, written to a file and judged by the product's own engine, the way `preflight
study` judges it. Counted are the fault found, the right culprit named, checks that fail without a reason, and
how much listening after the fault began was needed. What must be found is written here by hand, from what was
done to the rig.
"""

import json
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from tests.lab import bundled, faults, record, scene
from tests.lab.record import Capture
from tests.lab.rig import DEVICES, TOP, Rig, mac

BEGINS_S = 1.0  # every fault begins this long after the recording
LISTENED_S = (0.1, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0)
FORMATS = ("pcap", "pcapng", "pcap.gz", "pcap.zst")
STORMS = ("broadcast-storm", "multicast-storm", "link-load")

# What a later check will have to find, by the check that it waits for.
NOT_YET = {
    "stray-router": ("IPv6 router", "ICMP redirect"),
    "house-network": ("house network joined",),
    "clock": ("clock handed over",),
    "link-speed": ("100 Mb/s",),
    "duplex": ("half duplex",),
    "mtu": ("MTU 1400 or 9000",),
    "addressing": ("two adapters in one subnet",),
    "shared-connection": ("forwarding on", "adapter bridged"),
    "link-up": ("cable pulled while listening",),
}


@dataclass(frozen=True)
class Variant:
    """`must` are the culprits to name, `may` others that can be named rightly; with neither, nobody is to
    blame."""

    label: str
    make: Callable[[], Capture]
    must: frozenset[str] = frozenset()
    may: frozenset[str] = frozenset()
    short: bool = False


@dataclass(frozen=True)
class Fault:
    """`check` must end in `outcome`; `symptoms` are checks that may fail with it. `timed` where it begins
    `BEGINS_S` after the recording, so that the listening it took can be told."""

    name: str
    check: str
    variants: tuple[Variant, ...]
    symptoms: tuple[str, ...] = ()
    outcome: str = "fail"
    timed: bool = True


@dataclass
class Score:
    name: str
    check: str
    variants: int = 0
    found: int = 0
    culprit_right: int = 0
    wrong_fails: int = 0
    listened_s: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def heard(
    break_it: Callable[[Rig], object] | None = None,
    *,
    places: tuple[tuple[str, str], ...] = (("desk", "eth0"),),
    seconds: float = 4.0,
    streams: dict[str, str] | None = None,
    clock: bool = False,
    wait_s: float | None = None,
    count: int | None = None,
    snap: int = record.FULL,
    **rig_options: bool,
) -> Callable[[], Capture]:
    """A recording of the show, broken by `break_it`. Two places are merged as a mirror port would."""

    def make() -> Capture:
        with Rig(**rig_options) as rig:
            settle = wait_s if wait_s is not None else scene.CLOCK_WAIT_S if clock else 1.5
            scene.play(rig, seconds, streams=streams or {}, clock=clock, wait_s=settle)

            def during() -> None:
                time.sleep(BEGINS_S)
                if break_it:
                    break_it(rig)

            captures = record.listen(rig, places, seconds, during=during, snap=snap)
            capture = captures[0] if len(captures) == 1 else record.merge(captures)
            return capture.first(count) if count else capture

    return make


def macs(*names: str) -> frozenset[str]:
    return frozenset(mac(DEVICES[name][2]) for name in names)


MIRROR = (("foh", "trunk"), ("foh", "desk"))
STATIONS = frozenset({faults.STATION, faults.OTHER_STATION})
FAULTS = (
    Fault(
        "second cable between switches", "loop",
        (
            Variant("for 30 ms", heard(faults.second_cable, second_cable=True, count=6000), short=True),
            Variant(
                "for 5 ms, streams running",
                heard(
                    lambda rig: faults.second_cable(rig, 0.005),
                    second_cable=True, count=9000, streams=scene.STREAMS,
                ),
            ),
            Variant(
                "heard on stage",
                heard(faults.second_cable, second_cable=True, count=6000, places=(("box-right", "eth0"),)),
            ),
        ),
        symptoms=STORMS,
    ),
    Fault(
        "chatty box", "broadcast-storm",
        (
            Variant("2000/s from stage", heard(faults.chatty_box), macs("box-drums"), short=True),
            Variant(
                "1300/s beside two streams",
                heard(lambda rig: faults.chatty_box(rig, rate=1300, seconds=2.5), streams=scene.STREAMS),
                macs("box-drums"),
            ),
            Variant(
                "5000/s from front of house",
                heard(lambda rig: faults.chatty_box(rig, "guest", 5000, 2)), macs("guest"),
            ),
            Variant("2000/s on a mirror", heard(faults.chatty_box, places=MIRROR), macs("box-drums")),
        ),
    ),
    Fault(
        "discovery flood", "multicast-storm",
        (
            Variant(
                "four devices", heard(faults.discovery_flood),
                macs("box-left", "box-right", "box-drums", "engine-b"), short=True,
            ),
            Variant(
                "one device, 3000/s beside streams",
                heard(lambda rig: faults.discovery_flood(rig, ("guest",), 3000, 2), streams=scene.STREAMS),
                macs("guest"),
            ),
        ),
    ),
    Fault(
        "stray DHCP server", "stray-dhcp",
        (
            Variant("guest answers the spare desk", heard(faults.stray_dhcp), macs("guest"), short=True),
            Variant(
                "on stage, seen from a mirror",
                heard(lambda rig: faults.stray_dhcp(rig, "box-drums"), places=MIRROR, streams=scene.STREAMS),
                macs("box-drums"),
            ),
            Variant(
                "answers the listening desk",
                heard(lambda rig: faults.stray_dhcp(rig, "guest", "desk")), macs("guest"),
            ),
        ),
    ),
    Fault(
        "two DHCP servers", "stray-dhcp",
        (Variant("guest and a box", heard(faults.two_dhcp_servers), macs("guest", "box-drums"), short=True),),
    ),
    Fault(
        "access point bridged in", "wifi-bridge",
        (
            Variant(
                "update frames, a hand-held client, a gateway",
                heard(faults.access_point, snooping=False), may=STATIONS | macs("guest"), short=True,
            ),
            Variant("update frames alone", heard(faults.stations_associate), may=STATIONS),
            Variant(
                "LLDP, heard beside the access point",
                heard(faults.announce_access_point, places=(("foh", "guest"),), seconds=5), macs("guest"),
            ),
        ),
    ),
    Fault(
        "too many streams for the port", "link-load",
        (Variant("80 % for 1.2 s", bundled.link_load, macs("box-left", "box-right")),),
        timed=False,
    ),
    Fault(
        "capture that shows only part", "capture-quality",
        (
            Variant("times step back", lambda: faults.step_back(heard(streams=scene.STREAMS)()), short=True),
            Variant(
                "frames dropped by the system",
                lambda: replace(heard(streams=scene.STREAMS)(), dropped=5000),
            ),
        ),
        outcome="caution", timed=False,
    ),
    Fault(
        "stream with 1 % loss", "stream-health",
        (Variant("every hundredth", heard(lambda rig: faults.stream(rig, skip=list(range(50, 2500, 100))))),),
    ),
    Fault(
        "one gap of 30 packets", "stream-health",
        (Variant("in the middle", heard(lambda rig: faults.stream(rig, skip=list(range(1000, 1030))))),),
    ),
    Fault("missing beats", "beat-health", (Variant("three and one", heard(faults.missing_beats)),)),
    Fault(
        "two clocks", "clock",
        (Variant("one never yields", heard(faults.second_clock, clock=True, seconds=10), macs("box-drums")),),
        outcome="caution",
    ),
    Fault("clock lost", "clock", (Variant("cable pulled", heard(faults.clock_lost, clock=True, seconds=8)),)),
    Fault(
        "no querier", "multicast-control",
        (Variant("snooping on", heard(querier=False, streams=scene.STREAMS, seconds=6)),), outcome="caution",
    ),
    Fault(
        "two queriers", "multicast-control",
        (Variant("switch and guest", heard(faults.second_querier)),), outcome="caution",
    ),
    Fault(
        "spare cable takes over", "spanning-tree",
        (
            Variant(
                "trunk pulled",
                heard(faults.topology_change, seconds=10, stp=True, second_cable=True, wait_s=6),
            ),
        ),
        outcome="caution",
    ),
    Fault("pause storm", "pause-frames", (Variant("200/s", heard(faults.pause_storm)),)),
    Fault(
        "tagged frames", "vlan-tags",
        (Variant("a stream in VLAN 20", heard(lambda rig: faults.stream(rig, tag=20)), macs("box-left")),),
        outcome="caution",
    ),
    Fault(
        "jumbo frames", "frame-size",
        (Variant("4000 bytes", heard(lambda rig: faults.odd_sizes(rig, 4000)), may=macs("box-right")),),
    ),
    Fault(
        "runts", "frame-size",
        (Variant("40 bytes", heard(lambda rig: faults.odd_sizes(rig, 40)), may=macs("box-right")),),
    ),
    Fault(
        "wrong priority marks", "priority",
        (Variant("zero", heard(lambda rig: faults.stream(rig, dscp=0)), macs("box-left")),),
        outcome="caution",
    ),
    Fault(
        "one address at two devices", "address-clash",
        (Variant("guest takes a box's", heard(faults.address_clash), macs("guest", "box-left")),),
    ),
    Fault(
        "unicast between others", "unicast-flood",
        (Variant("500/s", heard(faults.unicast_between_others), macs("box-left")),), outcome="caution",
    ),
)  # fmt: skip

HEALTHY = (
    Variant("two streams, clock, names", heard(scene.talk, streams=scene.STREAMS, clock=True), short=True),
    Variant("quiet", heard(), short=True),
    Variant("spare cable held by spanning tree",
            heard(scene.talk, streams=scene.STREAMS, second_cable=True, stp=True, wait_s=6), short=True),
    Variant("mirror of both directions",
            heard(scene.talk, streams=scene.STAGE_STREAMS, places=MIRROR), short=True),
    Variant("many streams", heard(faults.many_streams, seconds=5)),
    Variant("no snooping, all streams everywhere", heard(scene.talk, streams=scene.STREAMS, snooping=False)),
    Variant("heard on stage", heard(scene.talk, streams=scene.STREAMS, places=(("box-right", "eth0"),))),
    Variant("heard on the trunk", heard(scene.talk, streams=scene.STAGE_STREAMS, places=(("foh", "trunk"),))),
    Variant("devices join in the middle", heard(faults.devices_join, streams=scene.STREAMS), short=True),
    Variant("three quick announcements", heard(faults.announce_thrice), short=True),
    Variant("equal keep-alives, 200 a second", heard(faults.keep_alives)),
    Variant("a client asks and nobody answers", heard(faults.unanswered_client, seconds=21), short=True),
    Variant("engine B takes over the beat", heard(faults.second_beat, streams=scene.STREAMS)),
)  # fmt: skip


def run(*, short: bool) -> int:
    """Run the drill, print its table, and write the long form to docs/. 1 where a fault was missed or a check
    cried wolf."""
    from preflight.checks import all_checks

    known = {check.name for check, _ in all_checks()}
    not_yet = [
        f"{name} ({check})" for check, names in NOT_YET.items() for name in names if check not in known
    ]
    scores, numbers = [], iter(range(1_000_000))
    with tempfile.TemporaryDirectory(prefix="drill") as folder:
        for fault in FAULTS:
            if fault.check not in known:
                not_yet.append(f"{fault.name} ({fault.check})")
                continue
            score = Score(fault.name, fault.check)
            for variant in _chosen(fault.variants, short):
                _try(fault, variant, score, _file(folder, next(numbers)))
            scores.append(score)
            _say(score)
        healthy = Score("healthy", "")
        for variant in _chosen(HEALTHY, short):
            _keep_calm(variant, healthy, _file(folder, next(numbers)))
        _say(healthy)
    drilled = {fault.check for fault in FAULTS}
    not_yet += [f"{name} ({check}): its variants are not written" for check, names in NOT_YET.items()
                for name in names if check in known - drilled]  # fmt: skip
    if not short:
        _write(scores, healthy, not_yet)
    print(f"not yet: {len(not_yet)}")
    return int(healthy.wrong_fails > 0 or any(s.found < s.variants or s.wrong_fails for s in scores))


def _chosen(variants: tuple[Variant, ...], short: bool) -> Iterator[Variant]:
    return (variant for variant in variants if variant.short or not short)


def _file(folder: str, number: int) -> Path:
    return Path(folder) / f"{number}.{FORMATS[number % len(FORMATS)]}"


def _judge(path: Path, capture: Capture) -> dict:
    from preflight.checks import judge_all
    from preflight.study import study

    record.write(path, capture)
    findings = {finding.check: finding for finding in judge_all(study(str(path)))}
    path.unlink()
    return findings


def _fails(findings: dict) -> set[str]:
    return {name for name, finding in findings.items() if finding.outcome == "fail"}


def _try(fault: Fault, variant: Variant, score: Score, path: Path) -> None:
    capture = variant.make()
    if capture.dropped:  # only pcapng can say so
        path = path.with_name(f"{path.name.split('.')[0]}.pcapng")
    findings = _judge(path, capture)
    finding = findings[fault.check]
    score.variants += 1
    wrong = _fails(findings) - {fault.check, *fault.symptoms}
    score.wrong_fails += len(wrong)
    score.notes += [
        f"{variant.label}: {name} failed without a reason: {findings[name].headline}"
        for name in sorted(wrong)
    ]
    if finding.outcome != fault.outcome:
        score.notes.append(f"{variant.label}: {fault.check} said {finding.outcome}: {finding.headline}")
        return
    score.found += 1
    named = set(finding.culprits)
    right = variant.must <= named <= variant.must | variant.may and bool(named) == bool(
        variant.must | variant.may
    )
    score.culprit_right += right
    if not right:
        score.notes.append(
            f"{variant.label}: named {sorted(named)}, not {sorted(variant.must or variant.may)}"
        )
    if fault.timed:
        score.listened_s.append(_listening_needed(fault, capture, path))


def _listening_needed(fault: Fault, capture: Capture, path: Path) -> float:
    """The shortest spell after the fault began whose frames are enough to find it."""
    begin = capture.frames[0].ns + int(BEGINS_S * 1e9)
    for spell in LISTENED_S:
        kept = [frame for frame in capture.frames if frame.ns < begin + spell * 1e9]
        if _judge(path, replace(capture, frames=kept))[fault.check].outcome == fault.outcome:
            return spell
    return (capture.frames[-1].ns - begin) / 1e9


def _keep_calm(variant: Variant, score: Score, path: Path) -> None:
    findings = _judge(path, variant.make())
    wrong = _fails(findings)
    score.variants += 1
    score.wrong_fails += len(wrong)
    score.notes += [f"{variant.label}: {name} failed: {findings[name].headline}" for name in sorted(wrong)]
    score.notes += [
        f"{variant.label}: {name} cautions: {finding.headline}"
        for name, finding in findings.items()
        if finding.outcome == "caution"
    ]


def _say(score: Score) -> None:
    spells = f", {max(score.listened_s):g} s of it" if score.listened_s else ""
    found = f"found {score.found}, culprit right {score.culprit_right}{spells}, " if score.check else ""
    print(f"{score.name}: {score.variants} variants, {found}wrong fails {score.wrong_fails}", flush=True)
    for note in score.notes:
        print(f"    {note}", flush=True)


def _write(scores: list[Score], healthy: Score, not_yet: list[str]) -> None:
    now = datetime.now(UTC)
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=TOP, capture_output=True, text=True, check=True
    ).stdout.strip()
    keys = ("name", "check", "variants", "found", "culprit_right", "wrong_fails")
    table = {
        "date": now.date().isoformat(),
        "commit": commit,
        "faults": [{key: getattr(score, key) for key in keys} for score in scores],
        "healthy": {"variants": healthy.variants, "wrong_fails": healthy.wrong_fails},
        "not_yet": not_yet,
    }
    docs = TOP / "docs"
    (docs / "drill.json").write_text(json.dumps(table, indent=2) + "\n")
    lines = [
        "# The drill",
        "",
        f"Made by `python -m tests.lab drill` on {table['date']} at commit {commit}: real components in "
        "network namespaces, broken in one way at a time, recorded, and judged as `preflight study` does.",
        "",
        "| fault | check | variants | found | culprit right | wrong fails | listening needed |",
        "|---|---|---|---|---|---|---|",
        *(
            f"| {s.name} | {s.check} | {s.variants} | {s.found} | {s.culprit_right} | {s.wrong_fails} | "
            f"{f'{max(s.listened_s):g} s' if s.listened_s else '-'} |"
            for s in scores
        ),
        "",
        f"Healthy rigs: {healthy.variants} variants, {healthy.wrong_fails} wrong fails.",
        "",
        "Culprit right: everyone named who did it, and nobody else; for a cable or a capture, nobody. "
        "Listening needed: the longest that any variant took to be found, from the beginning of the fault.",
        "",
    ]
    notes = [f"- {score.name}, {note}" for score in [*scores, healthy] for note in score.notes]
    lines += ["## What fell short", "", *(notes or ["Nothing."]), ""]
    lines += ["## Not yet", "", *(f"- {name}" for name in not_yet), ""]
    (docs / "drill.md").write_text("\n".join(lines))
