"""Power over Ethernet: whether each port feeds the class that its device needs, and the switch all of them."""

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts
from preflight.rig.budget import POE_PORT_W

CHECK = Check(
    name="power-budget",
    subject="plan",
    order=420,
    asks=View,
    question="Can the switches feed what they have to feed, and have they ports enough?",
    looks_at="Each device with poe_class on the rig sheet, the class and watts of its switch, and the free ports.",
    why="A switch that has too little power switches ports off, the last one plugged in first. It is quiet until then.",
    limits=(
        Limit("caution_share", 0.9, "share of the switch's watts", "common practice"),
        *(
            Limit(f"class {number}", watts, "W set aside at the port", _source)
            for _source, numbers in (
                ("IEEE 802.3 clause 33 (802.3af, 802.3at), from memory", (0, 1, 2, 3, 4)),
                ("IEEE 802.3 clause 145 (802.3bt), from memory", (5, 6, 7, 8)),
            )
            for number, watts in ((n, POE_PORT_W[n]) for n in numbers)
        ),
    ),
    fixes=(
        "Feed the device from a power supply of its own, or from an injector of its class.",
        "Use a switch with more watts, or spread the devices over two.",
        "The class stands on the device's label or in its manual. Write the switch's poe_class and poe_budget_w on the sheet.",
    ),
)


def judge(facts: Facts) -> Finding | None:
    if facts.budget is None or facts.sheet is None:
        return None
    limits = CHECK.values()
    wrong, near, open_ones = [], [], []
    for switch, free in facts.budget.free_ports.items():
        if free < 0:
            wrong.append(f"{switch} has {-free} ports too few")
    classes = {
        device.name: device.poe_class or 0 for device in facts.sheet.device if device.poe_class is not None
    }
    fed = 0
    for power in facts.budget.power:
        watts = sum(limits[f"class {classes[name]}"] for name in power.devices)
        fed += len(power.devices)
        wrong += [
            f"{power.switch} does not feed class {classes[name]}, which {name} needs"
            for name in power.too_high
        ]
        if not power.devices:
            continue
        if power.budget_w is None:
            open_ones.append(
                f"{power.switch}: {watts:g} W are needed, and the sheet does not tell its poe_budget_w"
            )
        elif watts > power.budget_w:
            wrong.append(f"{power.switch} has to feed {watts:g} W, and has {power.budget_w:g} W")
        elif watts > limits["caution_share"] * power.budget_w:
            near.append(f"{power.switch} feeds {watts:g} of its {power.budget_w:g} W")
    measured = {
        "fed_devices": fed,
        "watts": {power.switch: power.watts for power in facts.budget.power if power.devices},
        "free_ports": dict(facts.budget.free_ports),
    }
    told = wrong or near or open_ones
    outcome = (
        Outcome.FAIL
        if wrong
        else Outcome.CAUTION
        if near
        else Outcome.UNPROVEN
        if open_ones
        else Outcome.PASS
    )
    free_ports = ", ".join(f"{name}: {free}" for name, free in facts.budget.free_ports.items())
    passed = f"{'Nothing needs' if not fed else 'There is enough'} power over Ethernet. Free ports: {free_ports or 'no switch'}."
    return Finding(
        CHECK.name,
        outcome,
        f"{told[0]}." if told else passed,
        evidence=tuple(Evidence(each) for each in wrong + near + open_ones),
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes if told else (),
    )
