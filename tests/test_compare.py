"""Two saved results: what differs and matters is told from what differs anyway."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from preflight.cli import main
from preflight.compare import compare, unlike
from preflight.host.facts import Adapter, Address, HostFacts, Load, Power
from preflight.report.saved import Saved, as_text, read, saved
from preflight.study import study
from preflight.verdict import judged

CAPTURES = Path(__file__).parent.parent / "captures"
DESK = Adapter(
    "eth0", kind="ethernet", enabled=True, carrier=True, speed_mbps=1000, duplex="full", mtu=1500,
    hardware_address="00:00:5e:00:53:0a", driver="one", bus="pci", addresses=(Address("192.0.2.10", 24, "static"),),
    gateways=(), forwarding=False,
)  # fmt: skip
WIFI = Adapter("wlan0", kind="wifi", carrier=True, hardware_address="00:00:5e:00:53:0c")
SPARE = replace(
    DESK, name="enp3s0", driver="another", hardware_address="00:00:5e:00:53:0b",
    addresses=(Address("192.0.2.11", 24, "static"),),
)  # fmt: skip


@pytest.fixture(scope="module")
def show() -> Saved:
    facts = study(str(CAPTURES / "clean-rig.pcap.gz"))
    return saved(judged(replace(facts, host=HostFacts("Linux", (DESK,)), adapter="eth0")))


def at(result: Saved, *adapters: Adapter) -> Saved:
    return replace(result, computer=HostFacts("Linux", adapters), adapter=adapters[0].name)


def matter(a: Saved, b: Saved) -> set[str]:
    return {one.what for one in compare(a, b) if one.matters}


def test_a_result_is_alike_to_itself_and_comes_back_from_its_file(show: Saved, tmp_path: Path) -> None:
    facts = study(str(CAPTURES / "clean-rig.pcap.gz"))
    path = tmp_path / "show.json"
    path.write_text(as_text(judged(replace(facts, host=HostFacts("Linux", (DESK,)), adapter="eth0"))))
    assert read(str(path)) == show
    assert compare(show, read(str(path))) == []


def test_a_spare_with_its_own_name_make_and_address_is_alike(show: Saved) -> None:
    found = compare(show, at(show, SPARE))
    assert {one.what for one in found} == {"name", "hardware address", "driver"}
    assert not any(one.matters for one in found)


@pytest.mark.parametrize(
    ("spare", "what"),
    [
        (replace(SPARE, speed_mbps=100), "link speed"),
        (replace(SPARE, duplex="half"), "duplex"),
        (replace(SPARE, mtu=9000), "largest packet (MTU)"),
        (replace(SPARE, forwarding=True), "passes packets on"),
        (replace(SPARE, master="br0"), "part of a bridge or bond"),
        (replace(SPARE, gateways=("192.0.2.1",)), "default gateway"),
        (replace(SPARE, addresses=(Address("198.51.100.11", 24, "static"),)), "subnet"),
        (replace(SPARE, addresses=(Address("192.0.2.11", 24, "dhcp"),)), "where its address comes from"),
        (
            replace(SPARE, addresses=DESK.addresses),
            "the same IPv4 address at both: never plug both in at once",
        ),
    ],
)
def test_a_setting_of_the_spare_that_differs_matters(show: Saved, spare: Adapter, what: str) -> None:
    assert matter(show, at(show, spare)) == {what}


def test_what_a_system_does_not_tell_is_no_difference(show: Saved) -> None:
    assert matter(show, at(show, replace(SPARE, speed_mbps=None, duplex=None, gateways=None))) == set()


def test_load_and_charge_are_of_the_moment_and_battery_is_not(show: Saved) -> None:
    def after(power: Power, busy_s: float) -> Saved:
        return replace(show, computer=HostFacts("Linux", (DESK,), power=power, load=Load(busy_s=busy_s)))

    mains = after(Power(True, 98), 10)
    assert matter(mains, after(Power(True, 71), 999)) == set()
    assert matter(mains, after(Power(False, 98), 10)) == {"on mains"}


def test_a_spare_with_wifi_on_differs(show: Saved) -> None:
    assert matter(show, at(show, SPARE, WIFI)) == {"other wifi adapters with a link"}


def test_a_changed_address_of_the_same_computer_matters(show: Saved) -> None:
    moved = replace(DESK, addresses=(Address("192.0.2.12", 24, "static"),))
    assert matter(show, at(show, moved)) == {"IPv4 address"}


def test_who_is_missing_and_who_is_new_matters_where_they_speak_often_enough(show: Saved) -> None:
    heard = show.heard
    assert heard is not None
    box = next(each for each in heard.devices if each.hardware == "00:00:5e:00:53:1f")
    without = replace(
        show,
        heard=replace(
            heard,
            devices=tuple(each for each in heard.devices if each != box),
            streams=tuple(each for each in heard.streams if each.source != box.hardware),
        ),
    )
    streams = {f"stream {to} from {box.hardware}" for to in ("233.252.0.1:5004", "01:00:5e:90:10:01")}
    gone = {f"device {box.hardware}", *streams}
    assert matter(show, without) == gone == matter(without, show)
    brief = replace(without, heard=replace(without.heard, seconds=0.002))
    assert not matter(show, brief) & gone  # too short to have heard it
    quiet = replace(
        heard, devices=tuple(replace(each, frames=2) if each == box else each for each in heard.devices)
    )
    assert f"device {box.hardware}" not in matter(replace(show, heard=quiet), without)


def test_main_and_spare_hear_one_another(show: Saved) -> None:
    heard = show.heard
    assert heard is not None and any(each.hardware == DESK.hardware_address for each in heard.devices)
    spares = replace(
        heard, devices=tuple(each for each in heard.devices if each.hardware != DESK.hardware_address)
    )
    assert matter(show, at(replace(show, heard=spares), SPARE)) == set()


def test_another_clock_another_pace_and_a_storm_matter(show: Saved) -> None:
    heard = show.heard
    assert heard is not None and heard.clocks
    other = replace(
        heard,
        clocks=tuple(replace(each, grandmaster="00005efffe005399") for each in heard.clocks),
        streams=tuple(replace(each, per_s=each.per_s * 2) for each in heard.streams),
        rates={**heard.rates, "broadcast": 900, "discovery": heard.rates["discovery"] + 20},
    )
    found = matter(show, replace(show, heard=other))
    assert any(what.startswith("clock of PTP version 2, domain 0") for what in found)
    assert sum(what.startswith("pace of stream") for what in found) == len(heard.streams)
    assert "most broadcast in a second" in found and "most discovery in a second" not in found


def anonymised(show: Saved) -> Saved:
    """As a handover zip has it: of the same show, under other addresses and names."""
    heard, computer = show.heard, show.computer
    assert heard is not None and computer is not None

    def other(address: str) -> str:
        return address[:9] + "aa" + address[11:]

    return replace(
        show,
        anonymised=True,
        computer=replace(
            computer,
            adapters=tuple(
                replace(
                    each,
                    hardware_address=other(each.hardware_address or ""),
                    addresses=(Address("192.0.2.77", 24, "static"),),
                )
                for each in computer.adapters
            ),
        ),
        heard=replace(
            heard,
            devices=tuple(replace(each, hardware=other(each.hardware), names=()) for each in heard.devices),
            streams=tuple(replace(each, source=other(each.source)) for each in heard.streams),
            clocks=tuple(replace(each, grandmaster=other(each.grandmaster)) for each in heard.clocks),
        ),
    )


def test_a_plain_result_beside_an_anonymised_one_differs_only_in_what_can_be_compared(show: Saved) -> None:
    hidden = anonymised(show)
    assert unlike(show, hidden).startswith("B is anonymised, and the other is not: ")
    assert unlike(hidden, show).startswith("A is") and unlike(show, show) == unlike(hidden, hidden) == ""
    assert compare(show, hidden) == []
    heard = hidden.heard
    assert heard is not None
    few = replace(
        hidden,
        computer=HostFacts("Linux", (replace(DESK, speed_mbps=100, gateways=("192.0.2.9",)),)),
        heard=replace(
            heard,
            devices=heard.devices[:2],
            streams=heard.streams[:1],
            clocks=(*heard.clocks, replace(heard.clocks[0], grandmaster="one more")),
        ),
    )
    found = {one.what: (one.a, one.b) for one in compare(show, few) if one.matters}
    clocks = "clock of PTP version 2, domain 0 (UDP/IPv4)"
    assert set(found) == {
        "link speed",
        "default gateway",
        "devices that speak often",
        "streams that speak often",
        clocks,
    }
    assert found[clocks] == ("1 clock", "2 clocks") and found["streams that speak often"][1] == "1"


def test_two_that_are_anonymised_by_one_key_are_compared_by_their_addresses(show: Saved) -> None:
    hidden = anonymised(show)
    assert hidden.heard is not None
    without = replace(hidden, heard=replace(hidden.heard, devices=hidden.heard.devices[1:]))
    assert any(what.startswith("device 00:00:5e") for what in matter(hidden, without))
    others = replace(
        hidden.heard,
        devices=tuple(replace(each, hardware=f"{each.hardware}0") for each in hidden.heard.devices),
    )
    assert unlike(hidden, replace(hidden, heard=others)).startswith("Both are anonymised")


def run(*args: str):
    return CliRunner().invoke(main, ["compare", *args])


def test_the_command_compares_two_captures(tmp_path: Path) -> None:
    files = []
    for name in ("clean-rig.pcap.gz", "loop.pcap.gz"):
        files.append(str(tmp_path / f"{name}.json"))
        CliRunner().invoke(main, ["study", str(CAPTURES / name), "--save-result", files[-1]])
    alike, differs = run(files[0], files[0]), run(*files)
    assert (alike.exit_code, differs.exit_code) == (0, 1)
    assert alike.stdout.startswith("ALIKE") and "finding: loop" in differs.stdout
    told = json.loads(run(*files, "--json").stdout)
    assert not told["alike"] and told["b"]["verdict"] == "not ready"
    assert any(one["what"] == "loop" and one["matters"] for one in told["differences"])


def test_the_command_says_why_a_handover_zip_is_compared_by_counts(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    plain, sent = str(tmp_path / "show.json"), str(tmp_path / "show.zip")
    CliRunner().invoke(main, ["study", str(CAPTURES / "wifi-bridge.pcap"), "--save-result", plain])
    CliRunner().invoke(main, ["handover", str(CAPTURES / "wifi-bridge.pcap"), "--yes", "--output", sent])
    done = run(plain, sent)
    assert done.stdout.startswith("ALIKE") and "B is anonymised, and the other is not" in done.stdout
    assert json.loads(run(sent, plain, "--json").stdout)["note"].startswith("A is anonymised")


@pytest.mark.parametrize("text", [None, "", "[" * 100_000, '{"schema": 1}', '{"saved": 2}', "\x00"])
def test_another_file_is_told_in_one_line(tmp_path: Path, text: str | None) -> None:
    path = tmp_path / "x.json"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    done = run(str(path), str(path))
    assert done.exit_code == 2 and done.stdout == "" and done.stderr.count("\n") == 1
