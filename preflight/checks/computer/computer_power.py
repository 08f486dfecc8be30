"""The computer runs on mains, at full speed, and does not go to sleep in the middle of the show."""

from preflight.checks.asks import View
from preflight.checks.cautions import QUALIFIED
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts
from preflight.host.facts import Power

CHECK = Check(
    name="computer-power",
    subject="computer",
    order=470,
    asks=View,
    question="Does this computer stay awake, at full speed, for the whole show?",
    looks_at="Mains or battery, the power plan, and after what time the computer goes to sleep by itself.",
    why=(
        "On battery, and with power saving, computers slow down, put adapters to sleep, and switch off in the middle of "
        "a set."
    ),
    limits=(Limit("fail_battery", 20, "% of battery left, without mains", "common practice"),),
    sources=("common practice",),
    fixes=(
        "Plug in the power supply. See that its lamp, or the battery sign, shows that it charges.",
        "Choose the power plan for full performance; turn low-power mode off.",
        "Set sleep to never while on mains. The screen may go dark.",
        "Run the line check again.",
    ),
    cautions=(QUALIFIED,),
    unproven="Look in the power settings: mains, full performance, sleep never.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    power, limits = facts.host.power, CHECK.values()
    measured = {
        "on_mains": power.on_mains,
        "battery_percent": power.battery_percent,
        "plan": power.plan,
        "saving": power.saving,
        "sleeps_after_min": power.sleeps_after_min,
    }
    texts, fixes = _troubles(power)
    seen = tuple(Evidence(each) for each in texts[1:])
    if texts:
        left = power.battery_percent
        empty = power.on_mains is False and left is not None and left <= limits["fail_battery"]
        return Finding(
            CHECK.name,
            Outcome.FAIL if empty else Outcome.CAUTION,
            texts[0],
            evidence=seen,
            measured=measured,
            limits=limits,
            fixes=(*fixes, CHECK.fixes[-1]),
            cautions=CHECK.cautions,
        )
    unknown = [
        name
        for name, fact in (
            ("whether it runs on mains", power.on_mains),
            ("whether it saves power", power.saving),
            ("when it goes to sleep", power.sleeps_after_min),
        )
        if fact is None
    ]
    if unknown:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            f"The system does not say {' or '.join(unknown)}.",
            measured=measured,
            limits=limits,
            fixes=(CHECK.unproven,),
        )
    return Finding(
        CHECK.name,
        Outcome.PASS,
        "This computer runs on mains, at full speed, and does not go to sleep.",
        measured=measured,
        limits=limits,
    )


def _troubles(power: Power) -> tuple[list[str], list[str]]:
    """What may stop or slow the computer, and what to do about it."""
    texts, fixes = [], []
    if power.on_mains is False:
        left = "" if power.battery_percent is None else f", {power.battery_percent:.0f} % left"
        texts.append(f"This computer runs on its battery{left}.")
        fixes.append(CHECK.fixes[0])
    if power.saving:
        texts.append(f"This computer saves power{f' ({power.plan})' if power.plan else ''}, and may be slow.")
        fixes.append(CHECK.fixes[1])
    if power.sleeps_after_min:
        texts.append(f"This computer goes to sleep after {power.sleeps_after_min:g} minutes without a touch.")
        fixes.append(CHECK.fixes[2])
    return texts, fixes
