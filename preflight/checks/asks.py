"""What a check may ask for, and what is said where it is not there.

Each view is the facts once more, with the parts that the check needs known to be there, so that no check
looks for them again. `of` answers with the view; with `Missing`, where the part was asked for and could not
be had: that is unproven; or with None, where the command was not asked for it at all: then the check says
nothing. A view that only knows more of the same fields is no dataclass of its own: making one takes longer
than most checks.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar, Self

from preflight.facts import Facts
from preflight.frames.facts import SourceFacts
from preflight.tally.facts import TallyFacts

if TYPE_CHECKING:
    from preflight.between.facts import BetweenFacts
    from preflight.host.facts import Adapter, HostFacts
    from preflight.rig.budget import Budget
    from preflight.rig.sheet import Sheet
    from preflight.soak.facts import SoakFacts

PARTS = tuple(each.name for each in fields(Facts))
LINK_FIRST = ("Mend the link first (see link-up), then run the line check again.",)


@dataclass(frozen=True)
class Missing:
    """Why there is nothing to judge. `fixes` say what to do; what would show the matter, where they are
    empty."""

    headline: str
    fixes: tuple[str, ...] = ()


@dataclass(frozen=True)
class View(Facts):
    """The facts as they are, for a check that finds out for itself whether it was asked: it sees nothing
    where not.

    `needs` names the parts without which the command was not asked for the matter at all."""

    needs: ClassVar[tuple[str, ...]] = ()

    @classmethod
    def of(cls, facts: Facts) -> Self | Missing | None:
        return None if any(getattr(facts, part) is None for part in cls.needs) else cls._with(facts)

    @classmethod
    def _with(cls, facts: Facts, **more: Any) -> Self:
        return cls(**{name: getattr(facts, name) for name in PARTS}, **more)


class Wire(View):
    """Frames were heard."""

    needs = ("source", "tally")
    source: SourceFacts
    tally: TallyFacts

    @classmethod
    def of(cls, facts: Facts) -> Self | Missing | None:
        if facts.wire_refused:
            return Missing(f"Not heard: {facts.wire_refused}")
        if facts.source is not None and facts.source.frames == 0:
            return Missing("Not heard: no frame came by.")
        return super().of(facts)


class PlannedWire(Wire):
    """Frames were heard, and a rig sheet says what should be there."""

    sheet: Sheet

    @classmethod
    def of(cls, facts: Facts) -> Self | Missing | None:
        return None if facts.sheet is None else super().of(facts)


@dataclass(frozen=True, kw_only=True)
class Computer(View):
    """This computer was read."""

    needs = ("host",)
    host: HostFacts


@dataclass(frozen=True, kw_only=True)
class Audio(Computer):
    """This computer was read, and `audio` is its adapter on the audio LAN."""

    audio: Adapter

    @classmethod
    def of(cls, facts: Facts) -> Self | Missing | None:
        if facts.host is None:
            return None
        if facts.adapter is None:
            return Missing("It is not known which adapter is on the audio LAN.")
        adapter = facts.host.adapter(facts.adapter)
        if adapter is None:
            return Missing(f"This computer no longer lists an adapter {facts.adapter}.")
        return cls._with(facts, audio=adapter)


class Link(Audio):
    """The same, for what only a link can show: it is not known to be down."""

    @classmethod
    def of(cls, facts: Facts) -> Self | Missing | None:
        found = super().of(facts)
        return no_link(found.audio) or found if isinstance(found, Link) else found


def no_link(adapter: Adapter) -> Missing | None:
    """What is said where a link is known to be down, and only a link could show the matter."""
    if adapter.enabled is False:
        return Missing(f"{adapter.name} is turned off: there is no link to judge.", LINK_FIRST)
    if adapter.carrier is False:
        return Missing(f"The link of {adapter.name} is down: there is nothing to judge.", LINK_FIRST)
    return None


class Plan(View):
    """Only the plan is asked for: a rig sheet, and what follows from it."""

    needs = ("sheet", "budget")
    sheet: Sheet
    budget: Budget


class Soaked(View):
    """Hours on one item were measured."""

    needs = ("soak",)
    soak: SoakFacts


class Captures(View):
    """Two captures are held against each other: of two places, or of two networks."""

    needs = ("between",)
    between: BetweenFacts


class Places(Captures):
    """They are of two places in one network, and it is known how their times stand to one another."""

    @classmethod
    def of(cls, facts: Facts) -> Self | Missing | None:
        told = facts.between
        return None if told is None or told.pair or told.clocks is None else super().of(facts)


class Networks(Captures):
    """They are of two networks that carry the same streams."""

    @classmethod
    def of(cls, facts: Facts) -> Self | Missing | None:
        return super().of(facts) if facts.between is not None and facts.between.pair else None
