"""Small rigs, written as the sheet writes them: two switches, a run between them, a desk, an engine and two
boxes."""

from preflight.facts import Facts
from preflight.rig.budget import plan
from preflight.rig.read import parse
from preflight.rig.sheet import Sheet

SNOOPS = "igmp_snooping = true\n"
FOH, STAGE = '[[switch]]\nname = "foh"\nports = 8\n', '[[switch]]\nname = "stage"\nports = 8\n'


def sheet(*parts: str) -> Sheet:
    return parse("name = 'x'\n" + "\n".join(parts))


def device(name: str, port: str, kind: str = "box", also: str = "") -> str:
    return f'[[device]]\nname = "{name}"\nkind = "{kind}"\nport = "{port}"\n{also}'


def cable(a: str, b: str, length: float | None = None, also: str = "") -> str:
    return f'[[cable]]\na = "{a}"\nb = "{b}"\n' + (f"length_m = {length}\n" if length else "") + also


def stream(name: str, sender: str, *receivers: str, channels: int = 8, also: str = "") -> str:
    told = ", ".join(f'"{each}"' for each in receivers)
    return f'[[stream]]\nname = "{name}"\nsender = "{sender}"\nreceivers = [{told}]\nchannels = {channels}\n{also}'


def planned(rig: Sheet) -> Facts:
    """What a check of the plan is handed."""
    return Facts(sheet=rig, budget=plan(rig))


TRUNK = cable("foh 8", "stage 8", 50)
RIG = (FOH, STAGE, device("desk", "foh 1", "desk"), device("engine", "foh 2", "engine"), device("left", "stage 1"), device("right", "stage 2"))  # fmt: skip
