"""The adapter kind check: only wired Ethernet passes."""

from typing import get_args

import pytest

from preflight.checks.finding import Outcome
from preflight.host.facts import Kind
from tests.checks.asked import asked
from tests.checks.computers import desk

judge = asked("adapter-kind")


@pytest.mark.parametrize("kind", [kind for kind in get_args(Kind) if kind != "ethernet"])
def test_every_other_kind_fails_and_says_what_told_it(kind):
    finding = judge(desk(kind=kind, kind_reason="as the system says"))
    assert finding.outcome is Outcome.FAIL and finding.fixes and finding.cautions
    assert finding.evidence[0].text == "audio: as the system says"


def test_a_wired_usb_adapter_passes():
    assert judge(desk(bus="usb")).outcome is Outcome.PASS


def test_an_address_that_was_changed_is_told():
    own = {"hardware_address": "02:00:5e:00:53:01", "permanent_address": "00:00:5e:00:53:99"}
    assert "made with 00:00:5e:00:53:99" in judge(desk(**own)).evidence[1].text
    own["permanent_address"] = own["hardware_address"]
    assert len(judge(desk(**own)).evidence) == 1


def test_what_it_is_is_measured():
    assert judge(desk(driver="virtio", bus="usb")).measured == {
        "kind": "ethernet",
        "driver": "virtio",
        "bus": "usb",
    }
    unknown = judge(desk(kind=None))
    assert unknown.outcome is Outcome.UNPROVEN and unknown.evidence == ()
    assert judge(desk(kind="wifi")).culprits == ("audio",)


@pytest.mark.parametrize(
    "own", [{"hardware_address": "02:00:5e:00:53:01"}, {"permanent_address": "00:00:5e:00:53:99"}]
)
def test_one_address_alone_shows_no_change(own):
    assert len(judge(desk(**own)).evidence) == 1
