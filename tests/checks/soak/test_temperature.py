"""How warm an adapter may get."""

from dataclasses import replace

import pytest

from preflight.checks.finding import Outcome
from preflight.facts import Facts
from tests.checks.asked import asked
from tests.checks.computers import desk
from tests.soak.soaks import GOOD, HOST, soak

judge = asked("temperature")


@pytest.mark.parametrize(
    ("degrees", "limit", "outcome"),
    [
        (60, None, Outcome.PASS), (84.9, None, Outcome.PASS), (85, None, Outcome.CAUTION), (104.9, None, Outcome.CAUTION), (105, None, Outcome.FAIL),
        (104.9, 110, Outcome.PASS), (105, 110, Outcome.CAUTION), (109.9, 110, Outcome.CAUTION), (110, 110, Outcome.FAIL), (70, 70, Outcome.FAIL),
    ],
)  # fmt: skip
def test_against_the_makers_limit_or_the_common_one(degrees, limit, outcome):
    finding = judge(desk(temperature_c=degrees, hot_c=limit))
    assert finding.outcome is outcome
    assert any("burn" in caution for caution in finding.cautions) == (outcome is not Outcome.PASS)


def test_no_sensor_is_no_news_in_a_line_check_and_unproven_in_a_soak():
    assert judge(desk()) is None
    finding = judge(Facts(host=HOST, adapter="eth0", soak=soak()))
    assert finding.outcome is Outcome.UNPROVEN and finding.fixes


def test_a_soak_is_judged_by_its_hottest_moment():
    hot = soak(replace(GOOD, adapter_c=107.0, computer_c=66.0))
    finding = judge(Facts(host=HOST, adapter="eth0", soak=hot))
    assert finding.outcome is Outcome.FAIL and "107 degrees Celsius at most" in finding.headline
    assert "66" in finding.evidence[0].text


def test_what_was_warm_is_measured_and_told():
    warm = judge(desk(temperature_c=60, hot_c=None))
    assert warm.measured == {"adapter_c": 60, "computer_c": None} and warm.evidence == ()
    assert warm.headline == "audio is at 60 degrees Celsius; its maker sets no limit."
    own = judge(desk(temperature_c=60, hot_c=110))
    assert own.headline == "audio is at 60 degrees Celsius; its maker's limit is 110."
    assert judge(desk(temperature_c=105)).culprits == ("audio",)
    soaked = judge(
        Facts(host=HOST, adapter="eth0", soak=soak(replace(GOOD, adapter_c=107.0, computer_c=66.0)))
    )
    assert soaked.measured == {"adapter_c": 107.0, "computer_c": 66.0} and soaked.culprits == ("eth0",)
