"""Reading a rig sheet: TOML by tomllib, what keys may hold by pydantic, what they say of one another by hand.

All that is wrong is told at once, each with its line, its key and the nearest right word. tomllib keeps no
line numbers, so a key's line is found by parsing the file's beginning: the shortest beginning that holds the
key ends at it.
"""

import dataclasses
import difflib
import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from ipaddress import ip_address, ip_network
from pathlib import Path
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from preflight.rig.sheet import Sheet
from preflight.text import clean

LARGEST = 100_000  # bytes; a sheet with every device of the largest rig has a tenth
MOST_TOLD = 20
MOST_PARSED = 400  # beginnings of a file, to find lines: a hostile one must not cost minutes
UNKNOWN_KEY = "unexpected_keyword_argument"  # pydantic's names
MISSING = ("missing", "missing_argument")
Place = tuple[str | int, ...]
# What people call a key that has another name here.
OTHER_NAMES = {
    "mac": ("hardware",),
    "mac_address": ("hardware",),
    "ip": ("address",),
    "vendor": ("maker",),
    "manufacturer": ("maker",),
    "type": ("kind", "medium"),
    "category": ("medium",),
    "unmanaged": ("managed",),
    "role": ("kind",),
    "length": ("length_m",),
    "metres": ("length_m",),
    "speed": ("speed_mbps",),
    "rate": ("sample_rate_hz",),
    "depth": ("bits",),
    "ptime": ("packet_time_ms",),
    "from": ("sender", "a"),
    "to": ("receivers", "b"),
    "source": ("sender",),
    "destination": ("group", "receivers"),
    "multicast": ("group",),
    "stp": ("spanning_tree",),
    "rstp": ("spanning_tree",),
    "snooping": ("igmp_snooping",),
    "poe": ("poe_class",),
    "watts": ("poe_budget_w",),
    "backup_for": ("spare_for",),
    "grandmaster": ("master",),
    "leader": ("master",),
    "latency_ms": ("delay_ms",),
    "servers": ("allowed",),
    "gateway": ("router",),
    "devices": ("device",),
}


class SheetError(Exception):
    """What is wrong with a sheet, in lines for the user, each with the line and key where known."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = tuple(problems)


def load(path: str, limits: Mapping[str, Iterable[str]] | None = None) -> Sheet:
    """The sheet in a file. `limits` are the checks that there are and their limits' names. Raises
    SheetError."""
    try:
        with Path(path).open("rb") as file:
            data = file.read(LARGEST + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not a file name"
        raise SheetError([f"cannot be read: {reason or error}"]) from None
    if len(data) > LARGEST:
        raise SheetError([f"larger than {LARGEST // 1000} kB: this is no rig sheet"])
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise SheetError([f"line {line}: not UTF-8 text. Save the file as UTF-8."]) from None
    return parse(text, limits)


def parse(text: str, limits: Mapping[str, Iterable[str]] | None = None) -> Sheet:
    """The sheet in `text`. Raises SheetError."""
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise SheetError([_no_toml(error, text)]) from None
    from pydantic import TypeAdapter, ValidationError

    try:
        sheet = TypeAdapter(Sheet).validate_json(json.dumps(table, default=str))
        wrong = list(_contradictions(sheet, limits))
    except ValidationError as error:
        wrong = [_explain(each) for each in _plain(error.errors(include_url=False))]
    except RecursionError:
        raise SheetError(["tables in tables without end: this is no rig sheet"]) from None
    if not wrong:
        return sheet
    lines = _Lines(text)
    told = sorted(
        ((lines.of(place) or 0, place, why) for place, why in wrong[:MOST_TOLD]), key=lambda p: p[0]
    )
    problems = [
        clean(f"{f'line {line}: ' if line else ''}{_key(place)}{why}", 400) for line, place, why in told
    ]
    if len(wrong) > MOST_TOLD:
        problems.append(f"and {len(wrong) - MOST_TOLD} more")
    raise SheetError(problems)


def _no_toml(error: Exception, text: str) -> str:
    """What tomllib says, and what most likely has to be written instead."""
    if isinstance(error, RecursionError):
        return "brackets in brackets without end: this is no rig sheet"
    what, at, where = str(error).rpartition(" (at ")
    if not at:
        return clean(f"not TOML: {error}", 200)
    lines = text.rstrip("\n").split("\n")
    number = re.match(r"line (\d+)", where)
    at_line = min(int(number[1]) if number else len(lines), len(lines))
    line = lines[at_line - 1].strip()
    key = clean(line.partition("=")[0].strip(), 40)
    if what == "Cannot overwrite a value" and line.startswith("[["):
        said = f"{key} was begun otherwise above. Write it with two brackets each time"
    elif what == "Cannot overwrite a value":
        said = f"{key}: this key stands twice in its table"
    elif re.match(r"Cannot declare .* twice", what):
        said = f"{key} stands twice. Join the two"
    else:
        said = what
    return clean(f"{where.rstrip(')') if number else f'line {at_line}'}: {said}.{_hint(what, line)}", 300)


def _hint(what: str, line: str) -> str:
    if set(line) & set("“”„‘’"):
        return ' Use straight quotes: "..."'
    if what == "Invalid value":
        return ' Text needs quotes: name = "desk"'
    if what == "Invalid statement" or what.startswith("Expected '='"):
        return " A line is: key = value, or [[device]], or # a remark. Save the file as plain text."
    if re.search(r"=\s*\d+,\d", line):
        return " A decimal number has a point: 1.5"
    if what.startswith("Illegal character"):
        return " Delete this character, and type the text anew."
    return ""


def _plain(errors: list[Any]) -> Iterator[Any]:
    """The errors, but for keys that are missing only because they are misspelt."""
    meant = {
        (*error["loc"][:-1], near[0])
        for error in errors
        if error["type"] == UNKNOWN_KEY
        and (near := _near(str(error["loc"][-1]), _keys(tuple(error["loc"][:-1]))))
    }
    for error in errors:
        if error["type"] not in MISSING or tuple(error["loc"]) not in meant:
            yield error


def _explain(error: Any) -> tuple[Place, str]:
    """Pydantic's error in our words."""
    place: Place = tuple(error["loc"])
    kind, context, value = error["type"], error.get("ctx", {}), error["input"]
    if kind == UNKNOWN_KEY:
        return place, f"there is no such key. {nearest(str(place[-1]), _keys(place[:-1]))}"
    if kind in MISSING:
        return place, "is missing, and has to be there"
    if kind == "literal_error":
        choices = [str(each) for each in _choices(place)]
        near = nearest(value, choices, few=True) if isinstance(value, str) else ""
        return place, f"{_value(value)} is none of: {', '.join(choices)}. {near}".rstrip()
    if kind == "value_error":
        return place, f"{_value(value)}: {context.get('error')}"
    if kind == "tuple_type" and len(place) == 1:
        return place, f"must be tables: begin each with [[{place[0]}]]"
    words = {
        "greater_than": "{value}: must be more than {gt}",
        "greater_than_equal": "{value}: must be at least {ge}",
        "less_than_equal": "{value}: must be at most {le}",
        "string_type": 'must be text in quotes: "..."',
        "tuple_type": 'must be a list: ["...", "..."]',
        "int_type": "must be a whole number, without quotes",
        "int_parsing": "must be a whole number, without quotes",
        "int_from_float": "must be a whole number",
        "float_type": "must be a number, without quotes and unit",
        "float_parsing": "must be a number, without quotes",
        "bool_type": "must be true or false, without quotes",
        "bool_parsing": "must be true or false",
        "dataclass_type": "must be a table",
        "dict_type": "must be a table",
        "finite_number": "must be a finite number",
        "too_long": "has too many entries (at most {max_length})",
    }
    return place, words.get(kind, error["msg"].lower()).format(**context, value=_value(value))


def _value(value: object) -> str:
    return f'"{clean(value, 40)}"' if isinstance(value, str) else clean(str(value), 40)


def _near(word: str, known: Iterable[str]) -> list[str]:
    """The known word that is meant, if any: by another name for it, else by its looks."""
    by_lower = {each.lower(): each for each in known}
    word = word.lower()
    meant = [each for each in OTHER_NAMES.get(word, ()) if each in by_lower]
    looks = meant or difflib.get_close_matches(word, list(by_lower), n=1, cutoff=0.5)
    return [by_lower[each] for each in looks[:1]]


def nearest(word: str, known: Iterable[str], few: bool = False) -> str:
    """The right word that looks most like `word`, or else all of them."""
    known = list(known)
    if near := _near(word, known):
        return f"Did you mean {near[0]}?"
    return "" if few or not known else f"Known are: {', '.join(known[:20])}."


def _holder(place: Place) -> type:
    """The dataclass that the table at `place` is read into."""
    kind: Any = Sheet
    for step in place:
        if isinstance(step, str) and dataclasses.is_dataclass(kind):
            kind = _inner(get_type_hints(kind)[step])
    return kind


def _keys(place: Place) -> list[str]:
    return [each.name for each in dataclasses.fields(_holder(place))]


def _inner(hint: Any) -> Any:
    """Device for tuple[Device, ...], Kind for Kind | None."""
    if get_origin(hint) in (tuple, UnionType, Union):
        return _inner(get_args(hint)[0])
    return hint


def _choices(place: Place) -> tuple:
    return get_args(_inner(get_type_hints(_holder(place[:-1]))[str(place[-1])]))


def _key(place: Place) -> str:
    """The key as people would say it: "device 2, port: ". TOML's tables count from 1 here."""
    words: list[str] = []
    for step in place:
        if isinstance(step, int) and words:
            words[-1] += f" {step + 1}"
        elif re.fullmatch(r"[\w-]+", str(step)):
            words.append(str(step))
        else:
            words.append(f"“{step}”")
    return f"{', '.join(words)}: " if words else ""


def _contradictions(sheet: Sheet, limits: Mapping[str, Iterable[str]] | None) -> Iterator[tuple[Place, str]]:
    """What no single key shows: names told twice, names that nothing has, two plugs in one port, unknown
    limits."""
    devices = [device.name for device in sheet.device]
    switches = [switch.name for switch in sheet.switch]
    yield from _twice([("device", n, "name") for n in range(len(devices))], devices)
    yield from _twice([("switch", n, "name") for n in range(len(switches))], switches)
    for number, name in enumerate(switches):
        if name in devices:
            yield ("switch", number, "name"), f"“{name}” is a device too. Give each a name of its own."
    for key in ("hardware", "address"):
        told = [(("device", n, key), getattr(d, key)) for n, d in enumerate(sheet.device) if getattr(d, key)]
        if key == "hardware":
            told += [(("switch", n, key), s.hardware) for n, s in enumerate(sheet.switch) if s.hardware]
        yield from _twice([place for place, _ in told], [value for _, value in told])
    for number, device in enumerate(sheet.device):
        place: Place = ("device", number)
        if device.kind == "spare" and device.spare_for is None:
            yield (*place, "spare_for"), "is missing: which device does this spare stand in for?"
        if device.kind != "spare" and device.spare_for is not None:
            yield (*place, "spare_for"), 'only a device of kind = "spare" has this key'
        if device.spare_for is not None:
            yield from _known((*place, "spare_for"), device.spare_for, devices, "device")
        if sheet.named(device.spare_for) is device:
            yield (*place, "spare_for"), "a device cannot stand in for itself"
        elif (main := sheet.named(device.spare_for)) is not None and main.kind == "spare":
            yield (*place, "spare_for"), f"“{main.name}” is a spare itself. Name what it stands in for."
        if device.address is not None and _of_control(sheet, device.address):
            yield (
                (*place, "address"),
                "lies in the control network ([control]), and this device is on the audio LAN",
            )
    yield from _wiring(sheet)
    yield from _aggregations(sheet)
    places = []
    for number, stream in enumerate(sheet.stream):
        yield from _known(("stream", number, "sender"), stream.sender, devices, "device")
        if not stream.receivers:
            yield ("stream", number, "receivers"), "must name at least one device"
        for receiver in stream.receivers:
            yield from _known(("stream", number, "receivers"), receiver, devices, "device")
        if len(set(stream.receivers)) < len(stream.receivers):
            twice = next(each for each in stream.receivers if stream.receivers.count(each) > 1)
            yield ("stream", number, "receivers"), f"names “{twice}” twice"
        samples = stream.sample_rate_hz * stream.packet_time_ms / 1000
        if not 0.5 <= samples <= 10_000:
            yield ("stream", number, "packet_time_ms"), f"makes {samples:g} samples a packet: that cannot be"
        if stream.group:
            places.append((("stream", number, "group"), f"{stream.group} port {stream.udp_port}"))
    yield from _twice([place for place, _ in places], [where for _, where in places])
    if sheet.clock.master is not None:
        yield from _known(("clock", "master"), sheet.clock.master, devices, "device")
    if limits is None:
        return
    for check, values in sheet.limits.items():
        if check not in limits:
            yield ("limits", check), f"there is no such check. {nearest(check, limits)}"
            continue
        for name in values:
            if values[name] < 0:
                yield ("limits", check, name), "must be 0 or more"
            if name not in limits[check]:
                yield ("limits", check, name), f"{check} has no such limit. {nearest(name, limits[check])}"


def _of_control(sheet: Sheet, address: str) -> bool:
    subnet = sheet.control.subnet
    return address == sheet.control.router or (
        subnet is not None and ip_address(address) in ip_network(subnet)
    )


def _twice(places: Sequence[Place], values: Sequence[str]) -> Iterator[tuple[Place, str]]:
    first: dict[str, Place] = {}
    for place, value in zip(places, values, strict=True):
        if value in first:
            yield place, f"“{value}” stands twice: at {_key(first[value][:2]).rstrip(': ')} too"
        first.setdefault(value, place)


def _known(place: Place, name: str, known: Sequence[str], what: str) -> Iterator[tuple[Place, str]]:
    if name not in known:
        yield place, f"no {what} is called “{name}”. {nearest(name, known)}"


def _wiring(sheet: Sheet) -> Iterator[tuple[Place, str]]:
    """Each port holds one plug, and each device one; a device's `port` and its cable tell the same."""
    plugged: dict[str, Place] = {}
    plugs = [f"{switch.name} 1" for switch in sheet.switch]
    ends = [device.name for device in sheet.device] + plugs
    ports = {switch.name: switch.ports for switch in sheet.switch}
    told = [(("cable", n, key), getattr(c, key)) for n, c in enumerate(sheet.cable) for key in ("a", "b")]
    cabled = {frozenset((cable.a, cable.b)) for cable in sheet.cable}
    for number, device in enumerate(sheet.device):
        if device.port is not None and frozenset((device.name, device.port)) not in cabled:
            told.append((("device", number, "port"), device.port))
            if any(device.name in pair for pair in cabled):
                yield ("device", number, "port"), f"“{device.port}” is not where its cable goes"
    for place, end in told:
        where, port = sheet.place(end)
        if not where or (place[0] == "device" and port is None):
            yield (
                place,
                f"“{end}” is no switch and port that the sheet has. "
                f"{nearest(end, plugs if place[0] == 'device' else ends)}",
            )
        elif port is not None and not 1 <= port <= ports[where]:
            yield place, f"{where} has the ports 1 to {ports[where]}"
        elif end in plugged:
            yield place, f"“{end}” is in use: see {_key(plugged[end][:2]).rstrip(': ')}"
        plugged.setdefault(end, place)
    for number, cable in enumerate(sheet.cable):
        if sheet.place(cable.a)[0] == sheet.place(cable.b)[0] != "":
            yield ("cable", number, "b"), "both ends are plugged into the same thing: that makes a loop"


def _aggregations(sheet: Sheet) -> Iterator[tuple[Place, str]]:
    """Cables that act as one join the same two switches, at one speed."""
    switches = {switch.name for switch in sheet.switch}
    first: dict[str, int] = {}
    names = [cable.lag for cable in sheet.cable]
    for number, cable in enumerate(sheet.cable):
        if cable.lag is None:
            continue
        ends = {sheet.place(end)[0] for end in (cable.a, cable.b)}
        other = sheet.cable[first.setdefault(cable.lag, number)]
        place: Place = ("cable", number, "lag")
        plain = [switch.name for switch in sheet.switch if switch.name in ends and switch.managed is False]
        if not ends <= switches:
            yield place, "only cables between two switches can act as one"
        elif plain:
            yield place, f"“{plain[0]}” has no settings (managed = false): two cables to it are a loop"
        elif names.count(cable.lag) == 1:
            yield place, f"“{cable.lag}” has this cable only: name the others that act with it"
        elif ends != {sheet.place(end)[0] for end in (other.a, other.b)}:
            yield place, f"“{cable.lag}” joins other switches at cable {first[cable.lag] + 1}"
        elif cable.speed_mbps != other.speed_mbps:
            yield place, f"“{cable.lag}” has another speed at cable {first[cable.lag] + 1}"


class _Lines:
    """Lines of keys. A beginning of the file that ends in mid-value is no TOML; the one before it counts
    then."""

    def __init__(self, text: str) -> None:
        self._lines = text.split("\n")
        self._parsed: dict[int, dict | None] = {}

    def of(self, place: Place) -> int | None:
        """The line where the key at `place` begins, or that of the nearest table around it."""
        for end in range(len(place), 0, -1):
            if line := self._first(place[:end]):
                return line
        return None

    def _first(self, place: Place) -> int | None:
        low, high = 0, len(self._lines)  # `low` lines lack the key, `high` have it
        if not self._has(high, place):
            return None
        while high - low > 1:
            middle = (low + high) // 2
            whole = middle
            while whole > low and self._table(whole) is None:
                whole -= 1
            if whole > low and self._has(whole, place):
                high = whole
            elif whole > low:
                low = whole
            else:  # nothing whole between: the value runs from here to beyond the middle
                whole = middle + 1
                while whole < high and self._table(whole) is None:
                    whole += 1
                if whole < high and not self._has(whole, place):
                    low = whole
                elif whole < high:
                    high = whole
                else:
                    break
        return low + 1

    def _has(self, lines: int, place: Place) -> bool:
        value: Any = self._table(lines)
        for step in place:
            try:
                value = value[step]
            except (KeyError, IndexError, TypeError):
                return False
        return True

    def _table(self, lines: int) -> dict | None:
        if lines not in self._parsed:
            if len(self._parsed) > MOST_PARSED:
                return None
            try:
                self._parsed[lines] = tomllib.loads("\n".join(self._lines[:lines]))
            except (ValueError, RecursionError):
                self._parsed[lines] = None
        return self._parsed[lines]
