"""`between` beside the truth: frames really lost, held up and doubled between two taps, and two networks
really joined."""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.lab import live, record, senders
from tests.lab.rig import Rig, mac, wait_until

GROUP = "233.252.0.1"
SKIPPED = [700, 701, 1500]  # that the sender never sends
SECONDS = 4
RTP = 14 + 20 + 8


def between(*words: str) -> tuple[int, dict]:
    done = subprocess.run(
        [*live.PREFLIGHT, "between", *words, "--json"], capture_output=True, text=True, check=False
    )
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def numbers(capture: record.Capture) -> list[int]:
    return [
        int.from_bytes(frame.data[RTP + 2 : RTP + 4], "big") for frame in capture.frames if is_audio(frame)
    ]


def is_audio(frame: record.Frame) -> bool:
    return len(frame.data) > 200 and frame.data[12:14] == b"\x08\x00"


def by_another_clock(capture: record.Capture, ahead_s: float, ppm: float) -> record.Capture:
    first = capture.frames[0].ns
    frames = [
        replace(frame, ns=round(frame.ns + ahead_s * 1e9 + (frame.ns - first) * ppm / 1e6))
        for frame in capture.frames
    ]
    return replace(capture, frames=frames)


def lay(rig: Rig) -> None:
    """near ── wire ── far, beside the rig."""
    for number, name in enumerate(("near", "wire", "far")):
        rig._add(name, 200 + number, 0xA0 + number, "eth0")
    rig.cable(("near", "eth0", mac(0xA0)), ("wire", "in", mac(0xA8)))
    rig.cable(("wire", "out", mac(0xA9)), ("far", "eth0", mac(0xA2)))
    for name, dev in (("near", "eth0"), ("wire", "in"), ("wire", "out"), ("far", "eth0")):
        rig.link(name, dev, up=True)


def test_a_bad_wire_is_counted_exactly(rig: Rig, tmp_path: Path) -> None:
    lay(rig)
    wire = rig.start(
        "wire",
        sys.executable,
        "-m",
        "tests.lab.wire",
        "in",
        "out",
        str(SECONDS + 6),
        "53",
        stdout=subprocess.PIPE,
        text=True,
    )
    assert wire.stdout is not None and wire.stdout.readline() == "ready\n"

    def play() -> None:
        plan = {"plan": "rtp", "group": GROUP, "seconds": SECONDS, "skip": SKIPPED}
        beat = {"plan": "beat", "seconds": SECONDS, "period_s": 0.01}
        senders.send(rig, "near", plan, beat).wait(60)

    a, b = record.listen(rig, [("near", "eth0"), ("far", "eth0")], SECONDS + 3, during=play)
    did = json.loads(wire.communicate(timeout=30)[0])
    assert a.dropped == b.dropped == 0 and len(did["lost"]) > 20 and len(did["doubled"]) > 10
    sent, came = numbers(a), numbers(b)
    assert came == did["out"]  # the tap saw what the wire says

    # The truth, from the wire's own word and the numbers alone.
    first_copies = list(dict.fromkeys(came))
    inside = [
        n for n in did["lost"] if sent.index(first_copies[0]) < sent.index(n) < sent.index(max(first_copies))
    ]
    highest, overtaken = -1, 0
    for number in first_copies:
        overtaken += number < highest
        highest = max(highest, number)

    file_a, file_b = tmp_path / "a.pcap", tmp_path / "b.pcap.gz"
    record.write(file_a, a, nano=True)
    record.write(file_b, by_another_clock(b, 3.0, 50.0), nano=True)
    status, told = between(str(file_a), str(file_b))
    assert status == 1
    (path,) = (each for each in told["between"]["paths"] if each["rtp"])
    counted = (path["a"]["only"], path["b"]["doubled"], path["b"]["only"], path["reordered"], path["never"])
    assert counted == (len(inside), len(did["doubled"]), 0, overtaken, len(SKIPPED))
    assert told["between"]["clocks"]["offset_s"] == pytest.approx(3.0, abs=0.002)
    # Times by the taps' own stamps; a busy machine holds some up on its own.
    went = dict(zip(reversed(sent), reversed([f.ns for f in a.frames if is_audio(f)]), strict=True))
    got = dict(zip(reversed(came), reversed([f.ns for f in b.frames if is_audio(f)]), strict=True))
    took = [(got[n] - went[n]) / 1e9 for n in first_copies]
    least = min(took)
    assert path["spread_s"] == pytest.approx(max(took) - least, abs=0.001)
    assert sum(t - least > 0.0015 for t in took) <= path["late"] <= sum(t - least > 0.0005 for t in took)
    gap = path["a"]["gaps"][0]
    lost_frame = a.frames[gap["frame"] - 1].data
    assert int.from_bytes(lost_frame[RTP + 2 : RTP + 4], "big") == inside[0]
    outcomes = {each["check"]: each["outcome"] for each in told["findings"]}
    assert outcomes["between-loss"] == "fail" and outcomes["between-sent"] == "caution"
    assert outcomes["between-order"] == "caution" and outcomes["between-capture"] == "pass"


def test_a_crossed_patch_cable(rig: Rig, tmp_path: Path) -> None:
    """Two networks carry one stream; then one cable joins them."""
    rig.link("foh", "trunk", up=False)
    senders.join(rig, "desk", [GROUP], 60)
    wait_until(lambda: GROUP in rig.run("foh", "bridge", "mdb", "show"), 20, "no member")

    def heard(name: str) -> list[str]:
        def play() -> None:
            stream = {"plan": "rtp", "group": GROUP, "seconds": SECONDS}
            talk = {"plan": "chatter", "rate": 20, "count": 20 * SECONDS}
            sent = [
                senders.send(rig, "engine-a", stream),
                senders.send(rig, "engine-b", stream),
                senders.send(rig, "guest", talk),
                senders.send(rig, "box-drums", {**talk, "start": 1000}),
            ]
            assert [each.wait(60) for each in sent] == [0] * 4

        files = []
        for n, capture in enumerate(
            record.listen(rig, [("desk", "eth0"), ("box-left", "eth0")], SECONDS + 2, during=play)
        ):
            files.append(str(tmp_path / f"{name}{n}.pcap"))
            record.write(Path(files[-1]), capture, nano=True)
        return files

    status, told = between("--pair", "--one-clock", *heard("apart"))
    outcomes = {each["check"]: each["outcome"] for each in told["findings"]}
    assert outcomes["pair-crossing"] == "pass" and told["between"]["matched"] > 0.9 * SECONDS * 1000
    assert outcomes["pair-streams"] in ("pass", "caution"), told[
        "findings"
    ]  # the two senders do not begin at once

    rig.link("foh", "trunk", up=True)
    wait_until(
        lambda: "forwarding" in rig.run("foh", "bridge", "link", "show", "dev", "trunk"), 20, "no link"
    )
    status, told = between("--pair", "--one-clock", *heard("joined"))
    assert status == 1
    (crossing,) = (each for each in told["findings"] if each["check"] == "pair-crossing")
    assert crossing["outcome"] == "fail" and crossing["fix_first"] == 1
    assert {rig["guest"].mac, rig["box-drums"].mac} <= set(crossing["culprits"])
    assert crossing["measured"]["broadcasts_across"] >= 20
