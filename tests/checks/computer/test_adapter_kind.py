"""The adapter kind check: only wired Ethernet passes."""

from typing import get_args

import pytest

from preflight.checks.computer.adapter_kind import judge
from preflight.checks.finding import Outcome
from preflight.host.facts import Kind
from tests.checks.computers import desk


@pytest.mark.parametrize("kind", [kind for kind in get_args(Kind) if kind != "ethernet"])
def test_every_other_kind_fails_and_says_what_told_it(kind):
    finding = judge(desk(kind=kind, kind_reason="as the system says"))
    assert finding.outcome is Outcome.FAIL and finding.fixes and finding.cautions
    assert finding.evidence[0].text == "audio: as the system says"


def test_a_wired_usb_adapter_passes():
    assert judge(desk(bus="usb")).outcome is Outcome.PASS
