"""Facts out of the rows of the kernels' tables.

A kernel module names the columns of a table once, as constants that begin with the table's letter. The field
of a fact is read from the column of its name: `frames` of a Flow is F_FRAMES, `first_s` is F_FIRST_NS as
seconds. A field that may be None is None where its column is below 0, and a frame's number (they count from
1) where it is 0. Addresses are numbers in a row.
"""

import math
from collections.abc import Callable
from dataclasses import fields
from ipaddress import ip_address
from types import ModuleType
from typing import Any, TypeVar, get_args

Fact = TypeVar("Fact")


def reader(fact: type[Fact], module: ModuleType, prefix: str) -> Callable[..., Fact]:
    """What makes a fact of a row of int. Fields that stand in no column, or not as they are, are given by
    name."""
    columns = {
        name[len(prefix) :].lower(): at for name, at in vars(module).items() if name.startswith(prefix)
    }
    plan = []
    for field in fields(fact):  # type: ignore[arg-type]
        seconds = field.name.endswith("_s")
        column = columns.get(field.name[:-1] + "ns" if seconds else field.name)
        if column is not None:
            make: Callable[[int], Any] = _seconds if seconds else bool if field.type is bool else int
            least = -math.inf
            if type(None) in get_args(field.type):
                least = 1 if field.name.endswith("frame") else 0
            plan.append((field.name, column, make, least))

    def read(row: list[int], **given: Any) -> Fact:
        told = {name: make(row[at]) if row[at] >= least else None for name, at, make, least in plan}
        return fact(**told | given)

    return read


def _seconds(ns: int) -> float:
    return ns / 1e9


def mac_text(number: int) -> str:
    """A 48-bit number as aa:bb:cc:dd:ee:ff, "" for 0 (the link type has no address)."""
    return number.to_bytes(6).hex(":") if number else ""


def ip_text(version: int, words: list[int]) -> str:
    """An address out of 32-bit words: one of them for version 4, four for version 6; "" for another
    version."""
    if version == 4:
        return str(ip_address(words[0]))
    if version == 6:
        return str(ip_address(words[0] << 96 | words[1] << 64 | words[2] << 32 | words[3]))
    return ""
