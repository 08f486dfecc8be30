"""Who sends most of a flood, in the words that the checks of broadcast and multicast share."""

from collections.abc import Iterable, Mapping

from preflight.checks.finding import Evidence
from preflight.checks.say import count_text, counted, what, who
from preflight.checks.see.flows import shown
from preflight.tally.facts import Flow


def loudest(most_in_1s: Mapping[str, float]) -> tuple[list[str], str]:
    """The senders (hardware addresses) that matter, the loudest first, and words for whom the flood is from.
    `most_in_1s` are the frames of each in its busiest second."""
    ranked = sorted(most_in_1s, key=lambda sender: -most_in_1s[sender])
    total = sum(most_in_1s.values())
    loud = [sender for sender in ranked[:5] if most_in_1s[sender] >= 0.1 * total] or ranked[:3]
    if len(loud) == 1:
        return loud, who(loud[0])
    most_of_it = sum(most_in_1s[sender] for sender in loud) > 0.9 * total
    return loud, counted(len(loud if most_of_it else ranked), "device")


def sent(sender: str, frames: float, flows: Iterable[Flow]) -> Evidence:
    """That it sent so many `frames`, and what most of them are by its `flows`."""
    text = f"sent {count_text(frames)} in all"
    most = max(flows, key=lambda flow: flow.frames, default=None)
    if most is None:  # its flows found no room in the tally
        return Evidence(f"{who(sender)} {text}")
    return shown(f"{who(sender, most.source_ip)} {text}, mostly {what(most)}", most)
