"""A step that mends something: its words, when it may be done, and on which kind of switch it can be.

A step is its own text, so that whoever wants only words has them. When it may be done follows from what it
interrupts, and whom to tell, and what to take care of, follow from that: this is told once, here, and never
in the words of a step. Common practice.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Literal

from preflight.checks.cautions import CAN_STOP_ALL, MUTE_FIRST, TELL_FIRST

if TYPE_CHECKING:
    from preflight.rig.sheet import Sheet

Kind = Literal["managed", "unmanaged"]


class When(StrEnum):
    """When a step may be done, by what it interrupts: nothing, what runs through one device, cable or
    setting, or all audio. While planning, and in the shop, nothing plays."""

    PLANNING = "while planning"
    NOW = "now"
    BREAK = "in a break"
    DOORS = "before doors"

    @property
    def audible(self) -> bool:
        return self in (When.BREAK, When.DOORS)

    @property
    def tell(self) -> tuple[str, ...]:
        """Whom to tell first."""
        return ("monitors", "stage") if self.audible else ()


class Step(str):
    """The words of a step. `on` names the only kind of switch that it is for."""

    when: When
    on: Kind | None

    def __new__(cls, text: str, when: When, on: Kind | None = None) -> Step:
        step = super().__new__(cls, text)
        step.when, step.on = when, on
        return step

    def __getnewargs__(self) -> tuple[str, When, Kind | None]:  # type: ignore[override]  # of another form than str's
        return str(self), self.when, self.on

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        written = core_schema.union_schema(
            [core_schema.str_schema(), handler.generate_schema(tuple[str, When])]
        )
        return core_schema.no_info_after_validator_function(cls._read, written)

    @classmethod
    def _read(cls, written: str | tuple[str, When]) -> Step:
        """As `written` has it; the words alone, as older soak logs have them, say when it may be done or do
        not."""
        return cls(written, When.PLANNING) if isinstance(written, str) else cls(*written)

    @property
    def written(self) -> tuple[str, str]:
        """Its words, and when it may be done."""
        return str(self), self.when.value

    def saying(self, text: str) -> Step:
        """The same step in other words."""
        return Step(text, self.when, self.on)

    @property
    def marked(self) -> str:
        """Its words behind the time when it may be done: "in a break: Swap the cable."."""
        return str(self) if self.when == When.PLANNING else f"{self.when}: {self}"


def now(text: str) -> Step:
    return Step(text, When.NOW)


def in_a_break(text: str) -> Step:
    return Step(text, When.BREAK)


def before_doors(text: str) -> Step:
    return Step(text, When.DOORS)


def managed(step: Step) -> Step:
    """It needs a switch with settings, tables and counters that can be seen."""
    return Step(step, step.when, "managed")


def unmanaged(step: Step) -> Step:
    return Step(step, step.when, "unmanaged")


FOLLOW_CABLES = unmanaged(
    now("Follow the cables from the switch, one by one, until you stand before what is named here.")
)
ONE_BY_ONE = unmanaged(in_a_break("Unplug one cable at a time, and run the line check after each."))
HOME_ROUTER = now(
    "Look for a home router, wireless router or computer with a shared connection that was plugged in."
)
TABLE = "in the switch's address table: that tells the port."
PORT_OF_IT = managed(now(f"Not found? Look up its hardware address {TABLE}"))
PORT_OF_THEM = managed(now(f"Not found? Look up the addresses named here {TABLE}"))
PORT_OF_SENDER = managed(now(f"Look up the sender named here {TABLE}"))
PORT_AND_CABLE = managed(now(f"Look up the hardware address {TABLE} Follow the cable."))
ALWAYS_AUTOMATIC = unmanaged(
    in_a_break("Its ports are always automatic: set the adapter to automatic speed and duplex.")
)


def steps(texts: Iterable[str], otherwise: When) -> tuple[Step, ...]:
    """Those that do not say when they may be done are done `otherwise`."""
    return tuple(text if isinstance(text, Step) else Step(text, otherwise) for text in texts)


def fitting(several: Iterable[Step], sheet: Sheet | None) -> tuple[Step, ...]:
    """Those that can be done on the switches of the rig. Where the sheet does not tell their kind, or has
    both, a step names the kind that it is for."""
    kinds = {switch.managed for switch in sheet.switch} if sheet is not None else set()
    here = "managed" if kinds == {True} else "unmanaged" if kinds == {False} else None
    return tuple(
        step if step.on in (None, here) else _for_one_kind(step)
        for step in several
        if here is None or step.on in (None, here)
    )


def _for_one_kind(step: Step) -> Step:
    a = "a managed" if step.on == "managed" else "an unmanaged"
    first = step[0] if step[1:2].isupper() else step[0].lower()  # an abbreviation stays one
    return step.saying(f"On {a} switch: {first}{step[1:]}")


def care(several: Iterable[Step]) -> tuple[str, ...]:
    """What to take care of where such steps are done."""
    times = {step.when for step in several}
    if not any(when.audible for when in times):
        return ()
    return (
        MUTE_FIRST,
        *((TELL_FIRST,) if When.BREAK in times else ()),
        *((CAN_STOP_ALL,) if When.DOORS in times else ()),
    )
