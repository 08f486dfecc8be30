"""Switches of which the rig sheet does not tell whether they hold multicast back: the plan takes them to
flood, and says so."""

from preflight.checks.say import listed


def if_not(assumed: tuple[str, ...], then: str) -> str:
    """What is so if these switches do not snoop."""
    return f"If {listed(assumed)} {'does' if len(assumed) == 1 else 'do'} not snoop, {then}"


def ask(assumed: tuple[str, ...]) -> str:
    """What to look up and write, so that the plan need not assume it."""
    return (
        f"{listed(assumed)}: is IGMP snooping on? Write igmp_snooping = true there on the sheet, or false. "
        "No settings at all? Write managed = false."
    )


def taken(assumed: tuple[str, ...]) -> str:
    """That figures are those of the worse case."""
    return f" {listed(assumed)}: taken not to snoop, for the sheet does not tell." if assumed else ""
