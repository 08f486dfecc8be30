"""What a stream did not lose: packets of a time in which nobody here wanted it.

Who is no longer interested leaves the group, and the switch sends its streams there no more until somebody
joins again (RFC 2236, RFC 4541). The numbers went on meanwhile: what was jumped over is a receiver's own
doing.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

from preflight.checks.says import Span
from preflight.facts import Facts
from preflight.tally.facts import Flow, Loss, Stream
from preflight.wire.igmp import IgmpMessage

AnyStream = TypeVar("AnyStream", bound=Stream)
AnyFlow = TypeVar("AnyFlow", Flow, Flow | None)
# A switch asks whether another member is there before it lets go (RFC 2236 section 3): mostly for a second.
LETS_GO_S = 10.0
BESIDE_S = 0.1  # how far the times of two frames may lie apart that belong together. Common practice.


def unwanted(facts: Facts) -> dict[str, list[Span]]:
    """Of each IPv4 group the times from when its last member left until one joined, without end where none
    did."""
    members: dict[str, set[str]] = defaultdict(set)
    since: dict[str, float] = {}
    spans: dict[str, list[Span]] = defaultdict(list)
    for message in facts.heard(IgmpMessage):
        for group in message.left:
            members[group].discard(message.seen.src)
            if not members[group]:
                since[group] = message.seen.time_s
        for group in message.joined:
            if group in since:
                spans[group].append((since.pop(group), message.seen.time_s))
            members[group].add(message.seen.src)
    for group, left in since.items():
        spans[group].append((left, math.inf))
    return spans


def let_go(stopped_s: float, spans: Sequence[Span]) -> bool:
    """Whether what stopped at a time did so because nobody wanted it any more."""
    return any(left - BESIDE_S <= stopped_s <= min(joined, left + LETS_GO_S) for left, joined in spans)


def wanted(streams: list[tuple[AnyStream, AnyFlow]], facts: Facts) -> list[tuple[AnyStream, AnyFlow]]:
    """The same streams, with their flows, without what nobody wanted, as far as their losses are kept one by
    one."""
    if not any(stream.first_losses for stream, _ in streams):
        return streams
    nobody = unwanted(facts)
    return [
        (_without(stream, nobody.get(flow.destination_ip, ()) if flow else ()), flow)
        for stream, flow in streams
    ]


def _without(stream: AnyStream, spans: Sequence[Span]) -> AnyStream:
    gone = [loss for loss in stream.first_losses if any(_is_unwanted(loss, span) for span in spans)]
    if not gone:
        return stream
    own = [loss for loss in stream.first_losses if loss not in gone]
    longest = max(own, key=lambda loss: loss.packets, default=None)
    kept = replace(
        stream,
        expected=stream.expected - sum(loss.packets for loss in gone),
        losses=stream.losses - len(gone),
        first_losses=tuple(own),
        last_loss_s=stream.last_loss_s if stream.losses > len(gone) else None,
        longest_loss=longest.packets if longest else 0,
        longest_loss_frame=longest.frame if longest else None,
        longest_loss_s=longest.end_s if longest else None,
    )
    if stream.longest_wait_s > max(map(_waited, gone)) + 1e-6:  # it is another
        return kept
    wait = max(own, key=_waited, default=None)  # or a wait that no packet was lost in, which is not kept
    return replace(
        kept,
        longest_wait_s=_waited(wait) if wait else stream.packet_time_s or 0.0,
        longest_wait_frame=wait.frame if wait else None,
        longest_wait_at_s=wait.end_s if wait else stream.last_s,
    )


def _waited(loss: Loss) -> float:
    return loss.end_s - loss.start_s


def _is_unwanted(loss: Loss, span: Span) -> bool:
    return let_go(loss.start_s, [span]) and loss.end_s >= span[1] - BESIDE_S
