"""A sheet learned from the lab's healthy rig passes on it, and fails rightly on the same rig with a fault."""

import gzip
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from preflight.checks import judge_all
from preflight.checks.finding import Finding, Outcome
from preflight.learn import draft
from preflight.rig.read import parse
from preflight.study import study
from tests.cli.test_cli import run
from tests.rig import shows
from tests.rig.shows import DESK, ENGINE, ENGINE_B, LEFT
from tests.tally.captures import mac, studied

CLEAN = Path(__file__).parents[2] / "captures/clean-rig.pcap.gz"
BOX_LEFT, BOX_DRUMS, ENGINE_A = "00:00:5e:00:53:1f", "00:00:5e:00:53:21", "00:00:5e:00:53:14"
OF_A_SHEET = ("strangers", "missing", "address-plan", "stream-plan", "clock-plan", "querier-plan")
Edit = Callable[[bytes], bytes | None]


@pytest.fixture(scope="module")
def learned():
    return parse(draft(study(str(CLEAN))))


def raw(hardware: str) -> bytes:
    return bytes.fromhex(hardware.replace(":", ""))


def edited(path: Path, edit: Edit) -> str:
    """The healthy capture with each frame passed through `edit`; None leaves it out."""
    data = gzip.decompress(CLEAN.read_bytes())
    out, at = [data[:24]], 24
    while at < len(data):
        seconds, fraction, size, _ = struct.unpack_from("<4I", data, at)
        frame = edit(data[at + 16 : at + 16 + size])
        if frame is not None:
            out.append(struct.pack("<4I", seconds, fraction, len(frame), len(frame)) + frame)
        at += 16 + size
    path.write_bytes(b"".join(out))
    return str(path)


def findings(path: str, sheet) -> dict[str, Finding]:
    found = judge_all(replace(study(path), sheet=sheet))
    return {finding.check: finding for finding in found if finding.check in OF_A_SHEET}


def test_the_rig_it_was_learned_from_passes(learned):
    assert {check: f.outcome for check, f in findings(str(CLEAN), learned).items()} == dict.fromkeys(
        OF_A_SHEET, Outcome.PASS
    )
    assert learned.clock_master().hardware == ENGINE_A
    assert [(switch.name, switch.querier) for switch in learned.switch] == [("foh-switch", True)]
    assert {s.group: s.sample_rate_hz for s in learned.stream} == {"233.252.0.1": 48000, "233.252.0.2": 48000}


def test_a_box_is_missing(learned, tmp_path):
    path = edited(tmp_path / "c.pcap", lambda f: None if raw(BOX_LEFT) in (f[:6], f[6:12]) else f)
    found = findings(path, learned)
    assert found["missing"].outcome == Outcome.FAIL and found["missing"].culprits == (BOX_LEFT,)
    assert found["strangers"].outcome == Outcome.PASS


def test_a_box_was_swapped_for_another(learned, tmp_path):
    path = edited(tmp_path / "c.pcap", lambda f: f.replace(raw(BOX_LEFT), raw(BOX_DRUMS)))
    assert findings(path, learned)["strangers"].culprits == (BOX_DRUMS,)


def test_a_stream_has_the_wrong_rate(learned, tmp_path):
    """Its timestamps run twice as fast: 96 kHz."""

    def doubled(frame: bytes) -> bytes | None:
        if (
            frame[6:12] != raw(BOX_LEFT)
            or frame[12:14] != b"\x08\0"
            or frame[36:38] != struct.pack(">H", 5004)
        ):
            return frame
        (stamp,) = struct.unpack_from(">I", frame, 46)
        return frame[:46] + struct.pack(">I", stamp * 2 & 0xFFFFFFFF) + frame[50:]

    found = findings(edited(tmp_path / "c.pcap", doubled), learned)
    assert found["stream-plan"].outcome == Outcome.FAIL and found["stream-plan"].culprits == (BOX_LEFT,)
    assert "96 kHz, not 48 kHz" in found["stream-plan"].headline


@pytest.mark.parametrize("name", ["stray-dhcp.pcapng", "broadcast-storm.pcap.gz", "wifi-bridge.pcap"])
def test_a_stranger_joined(learned, name):
    assert findings(str(CLEAN.parent / name), learned)["strangers"].outcome == Outcome.FAIL


@pytest.mark.parametrize("name", ["no-dhcp.pcap", "loop-prevented.pcap.gz", "poor-capture.pcap.gz"])
def test_the_same_rig_on_another_day_has_no_false_alarm(learned, name):
    found = findings(str(CLEAN.parent / name), learned)
    assert {f.outcome for f in found.values()} <= {Outcome.PASS, Outcome.UNPROVEN}


def test_an_engines_spare_is_absent(tmp_path):
    """The spare hums once a second on the good day, and is off on the other."""
    both = [shows.hum(ENGINE, 20), shows.hum(ENGINE_B, 20), shows.hum(DESK, 20), shows.stream(LEFT, 1)]
    sheet = parse(draft(studied(tmp_path, *both)))
    [name] = [device.name for device in sheet.device if device.hardware == mac(ENGINE_B)]
    absent = replace(studied(tmp_path, both[0], *both[2:]), sheet=sheet)
    [finding] = [each for each in judge_all(absent) if each.check == "missing"]
    assert finding.outcome == Outcome.FAIL and finding.headline == f"{name} is missing."


def test_names_that_a_network_tells_are_harmless_in_the_draft(tmp_path):
    from preflight.facts import Facts
    from preflight.wire.mdns import MdnsMessage
    from preflight.wire.picked import Seen

    facts: Facts = studied(tmp_path, shows.hum(LEFT, 5), shows.hum(DESK, 5))
    name = 'x"]\n[limits]\\\x1b[2J“' * 9
    says = MdnsMessage(Seen(1, 0.0, mac(LEFT), "", False), "", True, (), (), (name,))
    sheet = parse(draft(replace(facts, wire={MdnsMessage: (says,)})))
    assert len(sheet.device) == 2 and sheet.limits == {}


def test_learn_from_the_command_line(tmp_path):
    file = tmp_path / "learned.toml"
    assert run("sheet", "learn", str(CLEAN), "--to", str(file)).exit_code == 0
    assert "FILL IN" in file.read_text(encoding="utf-8") and run("sheet", "check", str(file)).exit_code == 0
    done = run("study", str(CLEAN), "--full", "--sheet", str(file))
    assert done.exit_code == 0 and "strangers" in done.stdout
    assert run("sheet", "learn").exit_code == 2
    done = run("sheet", "learn", str(file))
    assert done.exit_code == 2 and done.stderr.count("\n") == 1
