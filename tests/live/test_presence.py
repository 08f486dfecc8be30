"""What goes on, as one window has heard it."""

from pathlib import Path

from preflight.checks.see.names import names_of
from preflight.live.presence import GoingOn, clocks, going_on
from preflight.study import study
from tests.checks import ptp
from tests.tally.captures import Timed, broadcast, ethernet, every, mac, rtp, sap, sdp, write

STREAM, BEAT = "stream-health", "beat-health"


def heard(tmp_path: Path, *frames: list[Timed]) -> dict[str, list[tuple[GoingOn, str]]]:
    facts = study(str(write(tmp_path / "window.pcap", [one for some in frames for one in some])))
    found: dict[str, list[tuple[GoingOn, str]]] = {}
    for each in going_on(facts):
        found.setdefault(each.check, []).append((each, each.name(names_of(facts))))
    assert bool(clocks(facts)) == any(each.here for each, _ in found.get("clock", []))
    return found


def stream(group: str, start: float, end: float, sender: int = 1) -> list[Timed]:
    return every(0.02, lambda n: rtp(sender, group, n, bytes(100), 960), start, end)


def beat(start: float, end: float) -> list[Timed]:
    frame = ethernet("01:00:5e:90:10:01", mac(3), 0x88B6, b"BEAT")
    return every(0.01, lambda n: frame[:20] + n.to_bytes(4, "big") + frame[24:], start, end)


def test_streams_by_their_names_and_whether_they_go_on(tmp_path: Path) -> None:
    named = [(1.0, sap(5, sdp("Monitors", "233.252.0.2")))]
    found = heard(tmp_path, stream("233.252.0.1", 0, 12), stream("233.252.0.2", 0, 20, 2), named)[STREAM]
    assert {(each.key, each.here) for each, _ in found} == {
        (("233.252.0.1", "5004"), False), (("233.252.0.2", "5004"), True),
    }  # fmt: skip
    assert any("“Monitors” to 233.252.0.2 port 5004" in name for _, name in found)


def test_a_trial_that_ended_is_not_missed(tmp_path: Path) -> None:
    found = heard(tmp_path, stream("233.252.0.1", 5, 9), stream("233.252.0.2", 0, 20, 2))[STREAM]
    assert [each.key[0] for each, _ in found] == ["233.252.0.2"]


def test_beats_and_clocks(tmp_path: Path) -> None:
    noise = [(at, broadcast(9, n)) for n, at in enumerate((0.1, 3.0, 3.7, 11.0, 14.5, 20.0))]
    found = heard(tmp_path, beat(0, 12), ptp.master(20, 0, 20), noise)
    assert [(each.here, mac(3) in name) for each, name in found[BEAT]] == [(False, True)]
    [(clock, name)] = found["clock"]
    assert clock.here and name.startswith("the clock ") and mac(20) in name
    [(clock, name)] = heard(tmp_path, ptp.master(20, 0, 12), noise)["clock"]
    assert not clock.here and name == "the clock"
    assert heard(tmp_path, noise).keys() <= {BEAT}
