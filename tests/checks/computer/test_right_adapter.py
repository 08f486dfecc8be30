"""The adapter that was judged: named, proven by what comes in, or doubtful beside one without a link."""

from dataclasses import replace

import pytest

from preflight.checks import check_named
from preflight.checks.finding import Outcome
from preflight.facts import Facts
from preflight.host.facts import Address
from preflight.rig.sheet import Device, Sheet
from preflight.verdict import judged
from tests.checks.asked import asked
from tests.checks.computers import AUDIO, CONTROL, desk
from tests.checks.ptp import announces
from tests.tally.captures import arp, every, rtp, studied

PASS, UNPROVEN = Outcome.PASS, Outcome.UNPROVEN
judge = asked("right-adapter")
UNPLUGGED = replace(AUDIO, name="spare", carrier=False, addresses=())
LEASED = {"addresses": (Address("198.51.100.7", 24, "dhcp"),)}
GATE = {"gateways": ("198.51.100.1",)}


def guessed(*others, heard: Facts | None = None, **audio) -> Facts:
    facts = replace(desk(*others, **audio), adapter_guessed=True)
    return facts if heard is None else replace(facts, source=heard.source, tally=heard.tally)


@pytest.mark.parametrize("looks", [LEASED, GATE])
def test_a_control_network_beside_an_unplugged_adapter_is_doubtful(looks):
    finding = judge(guessed(UNPLUGGED, **looks))
    assert finding.outcome == UNPROVEN
    assert (
        finding.headline
        == "Is audio the audio network? It looks like a control network, and spare has no link."
    )
    assert "Plug the audio cable" in finding.fixes[0]
    assert judge(replace(guessed(UNPLUGGED, **looks), adapter_guessed=False)).outcome == PASS


@pytest.mark.parametrize(
    "facts",
    [
        guessed(UNPLUGGED),  # a fixed address and no gateway: it looks like audio
        guessed(CONTROL),
        guessed(CONTROL, carrier=False, **LEASED),  # it has no link itself: link-up says so
        replace(
            guessed(UNPLUGGED, hardware_address="00:00:5e:00:53:0A", **LEASED),
            sheet=Sheet("show", device=(Device("desk", "desk", hardware="00:00:5e:00:53:0a"),)),
        ),
    ],
)
def test_what_leaves_no_doubt(facts):
    assert judge(facts).outcome == PASS


@pytest.mark.parametrize(
    "other", [CONTROL, replace(UNPLUGGED, kind="wifi"), replace(UNPLUGGED, carrier=None)]
)
def test_what_looks_like_a_control_network_is_doubtful_by_itself(other):
    finding = judge(guessed(other, **LEASED))
    assert finding.headline == "Is audio the audio network? It looks like a control network."


def test_a_fixed_address_beside_an_unplugged_adapter_is_doubtful_until_audio_comes(tmp_path):
    heard = studied(tmp_path, every(0.1, arp(1, 2), 0, 5))
    finding = judge(guessed(UNPLUGGED, heard=heard))
    assert finding.outcome == UNPROVEN
    assert finding.headline.endswith("No audio and no clock came in by it, and spare has no link.")
    assert judge(guessed(CONTROL, heard=heard)).outcome == PASS


@pytest.mark.parametrize(
    ("frames", "outcome"),
    [
        ([(n / 1000, rtp(1, "233.252.0.1", n)) for n in range(600)], PASS),
        (announces(1, 0, 5), PASS),
        (every(0.1, arp(1, 2), 0, 5), UNPROVEN),
    ],
)
def test_audio_or_a_clock_proves_it(tmp_path, frames, outcome):
    assert judge(guessed(UNPLUGGED, heard=studied(tmp_path, frames), **LEASED)).outcome == outcome


def test_never_ready_about_the_other_network(tmp_path):
    heard = studied(tmp_path, every(0.1, arp(1, 2), 0, 5), every(0.1, lambda n: arp(3, n + 20), 0.05, 5))
    facts = guessed(UNPLUGGED, heard=heard, **LEASED)
    assert judged(facts).verdict.verdict == "unproven"


def test_why_it_is_doubtful_is_shown():
    second = replace(UNPLUGGED, name="third")
    finding = judge(guessed(UNPLUGGED, second, **LEASED, **GATE))
    assert finding.headline.endswith("looks like a control network, and spare, third have no link.")
    assert [each.text for each in finding.evidence] == [
        "audio has an address from a DHCP server",
        "audio has a default gateway",
        "spare is wired and has no link",
        "third is wired and has no link",
    ]
    assert finding.measured == {"guessed": True, "wired_without_link": ["spare", "third"]}
    assert finding.cautions == check_named("right-adapter").cautions and len(finding.fixes) >= 1


def test_one_sign_is_shown_alone():
    assert [each.text for each in judge(guessed(CONTROL, **GATE)).evidence] == ["audio has a default gateway"]
    assert judge(guessed(CONTROL, **GATE)).measured == {"guessed": True, "wired_without_link": []}


@pytest.mark.parametrize("hardware", ["00:00:5e:00:53:09", "00:00:5e:00:53:0b"])
def test_another_adapter_of_the_sheet_does_not_settle_it(hardware):
    sheet = Sheet("show", device=(Device("desk", "desk", hardware="00:00:5e:00:53:0a"),))
    facts = replace(guessed(UNPLUGGED, hardware_address=hardware, **LEASED), sheet=sheet)
    assert judge(facts).outcome == UNPROVEN
