"""Where to look for what is worn, by who of all that were heard is hit."""

from collections.abc import Iterable

from preflight.checks.say import who


def where(hit: Iterable[str], heard: Iterable[str], does: tuple[str, str]) -> str | None:
    """A step, by the hardware addresses of senders; `does` says what those that are `hit` do, of one and of
    several. None where this tells nothing: only one was heard, or one has no address."""
    theirs, senders = list(dict.fromkeys(hit)), set(heard)
    others = len(senders) - len(theirs)
    if len(senders) < 2 or "" in senders:
        return None
    if not others:
        return f"All senders {does[1]}: look at the cable between the switches, and at this computer's."
    if len(theirs) == 1:
        return f"Only {who(theirs[0])} {does[0]}: swap its cable, then its switch port."
    return (
        f"{len(theirs)} senders {does[1]}, and {others} {'does' if others == 1 else 'do'} not: look at what "
        f"the {len(theirs)} share, a switch and its cable."
    )
