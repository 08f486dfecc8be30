"""PTP messages counted, beside an independent reading of the public captures (fields by IEEE 1588-2008 clause 13)."""

from collections import Counter
from pathlib import Path

import dpkt
import pytest

from preflight.study import study
from preflight.tally.facts import ClockPort
from tests.tally.captures import Timed, announce, mac, studied

PUBLIC = Path(__file__).parents[3] / "shared" / "public-captures"
TYPES = {
    "Sync": 0,
    "Delay_Req": 1,
    "Follow_Up": 8,
    "Delay_Resp": 9,
    "Announce": 11,
    "Management": 13,
    "Pdelay_Req": 2,
}
TYPES |= {"Pdelay_Resp": 3, "Pdelay_Resp_Follow_Up": 10, "Signaling": 12}


def ports(folder: Path, *frames: list[Timed]) -> dict[tuple[str, str], ClockPort]:
    tally = studied(folder, *frames).tally
    assert tally is not None
    return {(port.kind, port.hardware): port for port in tally.clocks}


@pytest.mark.parametrize("name", ["ptp.pcap", "ptp_ethernet.pcap", "ptp_v2_1.pcap", "ptp_management.pcap"])
def test_public_captures_count_as_dpkt_reads_them(name: str) -> None:
    path = PUBLIC / name
    if not path.is_file():
        pytest.skip("../shared/public-captures is not here")
    counted: Counter[tuple[int, str, int]] = Counter()
    with path.open("rb") as file:
        for _, data in dpkt.pcap.Reader(file):
            message = data[42:] if data[12:14] == b"\x08\x00" else data[14:]
            counted[(message[0] & 15, message[20:28].hex(), message[4])] += 1
    tally = study(str(path)).tally
    assert tally is not None
    ours = {
        (TYPES[port.kind], port.clock, port.domain): port.count
        for port in tally.clocks
        if port.kind != "any master"
    }
    assert ours == dict(counted)


def test_an_announcement_is_read_and_its_change_noticed(tmp_path: Path) -> None:
    before = [(float(n), announce(1, n)) for n in range(5)]
    after = [(5.0 + n, announce(1, 5 + n, priority1=100)) for n in range(5)]
    port = ports(tmp_path, before, after)["Announce", mac(1)]
    assert (port.grandmaster, port.priority1, port.clock_class) == ("00005efffe005301", 100, 248)
    assert (port.changes, port.changed_s, port.changed_frame) == (1, 5.0, 6)


def test_a_time_without_any_master_shows(tmp_path: Path) -> None:
    found = ports(
        tmp_path,
        [(float(n), announce(1, n)) for n in range(5)],
        [(9.0 + n, announce(2, n)) for n in range(4)],
    )
    whole = found["any master", ""]
    assert (whole.count, whole.longest_interval_s, whole.longest_interval_at_s) == (9, 5.0, 4.0)


def test_domains_are_kept_apart(tmp_path: Path) -> None:
    tally = studied(
        tmp_path,
        [(float(n), announce(1, n)) for n in range(4)],
        [(n + 0.5, announce(1, n, domain=3)) for n in range(4)],
    ).tally
    assert tally is not None
    assert sorted((p.domain, p.count) for p in tally.clocks if p.kind == "Announce") == [(0, 4), (3, 4)]
