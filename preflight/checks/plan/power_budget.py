"""Power over Ethernet: whether each port feeds the class that its device needs, and the switch all of
them."""

from preflight.checks.asks import Plan
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted
from preflight.checks.says import Limits, Measured, Says, caution, fail, passed, unproven
from preflight.checks.step import When

AF_AT, AF_AT_W = "IEEE 802.3 clause 33 (802.3af, 802.3at), from memory", (15.4, 4.0, 7.0, 15.4, 30.0)
BT, BT_W = "IEEE 802.3 clause 145 (802.3bt), from memory", (45.0, 60.0, 75.0, 90.0)

CHECK = Check(
    name="power-budget",
    subject="plan",
    order=420,
    asks=Plan,
    when=When.PLANNING,
    question="Can the switches feed what they have to feed, and have they ports enough?",
    looks_at="Each device with poe_class on the rig sheet, the class and watts of its switch, and the free "
    "ports.",
    why="A switch that has too little power switches ports off, the last one plugged in first. It is quiet "
    "until then.",
    limits=(
        Limit("caution_share", 0.9, "share of the switch's watts", "common practice"),
        *(Limit(f"class {n}", watts, "W set aside at the port", AF_AT) for n, watts in enumerate(AF_AT_W)),
        *(Limit(f"class {n}", watts, "W set aside at the port", BT) for n, watts in enumerate(BT_W, 5)),
    ),
    fixes=(
        "Feed the device from a power supply of its own, or from an injector of its class.",
        "Use a switch with more watts, or spread the devices over two.",
        "The class stands on the device's label or in its manual. Write the switch's poe_class and "
        "poe_budget_w on the sheet.",
    ),
    unproven="Write the switch's poe_class and poe_budget_w on the sheet.",
)


def judge(plan: Plan, limits: Limits) -> Says:
    budget = plan.budget
    for switch, free in budget.free_ports.items():
        if free < 0:
            yield fail(f"{switch} has {counted(-free, 'port')} too few.")
    classes = {device.name: device.poe_class for device in plan.sheet.device}
    needed = {
        power.switch: sum(limits[f"class {classes[name]}"] for name in power.devices)
        for power in budget.power
        if power.devices
    }
    for power in budget.power:
        for name in power.too_high:
            yield fail(f"{power.switch} does not feed class {classes[name]}, which {name} needs.")
        if (watts := needed.get(power.switch)) is None:
            continue
        if power.budget_w is None:
            yield unproven(
                f"{power.switch}: {watts:g} W are needed, and the sheet does not tell its poe_budget_w."
            )
        elif watts > power.budget_w:
            yield fail(f"{power.switch} has to feed {watts:g} W, and has {power.budget_w:g} W.")
        elif watts > limits["caution_share"] * power.budget_w:
            yield caution(f"{power.switch} feeds {watts:g} of its {power.budget_w:g} W.")
    fed = sum(len(power.devices) for power in budget.power)
    yield Measured({"fed_devices": fed, "watts": needed, "free_ports": dict(budget.free_ports)})
    free_ports = ", ".join(f"{name}: {free}" for name, free in budget.free_ports.items())
    yield passed(
        f"{'There is enough' if fed else 'Nothing needs'} power over Ethernet. Free ports: "
        f"{free_ports or 'no switch'}."
    )
