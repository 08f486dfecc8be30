"""The computer runs on mains, at full speed, and does not go to sleep in the middle of the show."""

from preflight.checks.asks import Computer
from preflight.checks.cautions import QUALIFIED
from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.says import Limits, Measured, Says, caution, passed, trouble, unproven
from preflight.checks.step import now

CHECK = Check(
    name="computer-power",
    subject="computer",
    order=470,
    asks=Computer,
    question="Does this computer stay awake, at full speed, for the whole show?",
    looks_at="Mains or battery, the power plan, and after what time the computer goes to sleep by itself.",
    why=(
        "On battery, and with power saving, computers slow down, put adapters to sleep, and switch off in "
        "the middle of a set."
    ),
    limits=(Limit("fail_battery", 20, "% of battery left, without mains", "common practice"),),
    sources=("common practice",),
    fixes=(
        now("Plug in the power supply. See that its lamp, or the battery sign, shows that it charges."),
        now("Choose the power plan for full performance; turn low-power mode off."),
        now("Set sleep to never while on mains. The screen may go dark."),
        AGAIN,
    ),
    cautions=(QUALIFIED,),
    unproven="Look in the power settings: mains, full performance, sleep never.",
)


def judge(computer: Computer, limits: Limits) -> Says:
    power = computer.host.power
    yield Measured(
        {
            "on_mains": power.on_mains,
            "battery_percent": power.battery_percent,
            "plan": power.plan,
            "saving": power.saving,
            "sleeps_after_min": power.sleeps_after_min,
        }
    )
    if power.on_mains is False:
        percent = power.battery_percent
        empty = percent is not None and percent <= limits["fail_battery"]
        left = "" if percent is None else f", {percent:.0f} % left"
        yield trouble(
            Outcome.FAIL if empty else Outcome.CAUTION,
            f"This computer runs on its battery{left}.",
            fixes=[CHECK.fixes[0], AGAIN],
        )
    if power.saving:
        plan = f" ({power.plan})" if power.plan else ""
        yield caution(f"This computer saves power{plan}, and may be slow.", fixes=[CHECK.fixes[1], AGAIN])
    if power.sleeps_after_min:
        yield caution(
            f"This computer goes to sleep after {power.sleeps_after_min:g} minutes without a touch.",
            fixes=[CHECK.fixes[2], AGAIN],
        )
    untold = {
        "whether it runs on mains": power.on_mains,
        "whether it saves power": power.saving,
        "when it goes to sleep": power.sleeps_after_min,
    }
    if unknown := [name for name, fact in untold.items() if fact is None]:
        yield unproven(f"The system does not say {' or '.join(unknown)}.")
    yield passed("This computer runs on mains, at full speed, and does not go to sleep.")
