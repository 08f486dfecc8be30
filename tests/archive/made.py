"""Cases made from judged ones by variation, as many as wanted: other numbers, days, addresses, names and
makers, some faults gone."""

import hashlib
import random
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from preflight.archive.columns import Row, Rows
from preflight.archive.judge import judge
from preflight.archive.place import Found
from preflight.archive.store import Store

CAPTURES = Path(__file__).parents[2] / "captures"
MAKERS = 40
FIRST_DAY = datetime(2023, 1, 1)
DAYS = 1095


def bundled() -> list[Path]:
    return sorted(path for path in CAPTURES.iterdir() if ".pcap" in path.name)


def judged(paths: Sequence[Path]) -> list[Rows]:
    """The rows of each capture, as a worker makes them."""
    return [
        dict(judge([Found(str(path), path.stat().st_size, "")], {}, 60.0, False)[0].rows) for path in paths
    ]


def cases(models: Sequence[Rows], count: int, seed: int = 1) -> Iterator[Rows]:
    dice = random.Random(seed)
    for number in range(count):
        yield varied(models[number % len(models)], dice, number)


def varied(model: Rows, dice: random.Random, number: int) -> Rows:
    capture = hashlib.sha256(str(number).encode()).hexdigest()
    made: dict[str, list[Row]] = {
        table: [{**row, "capture": capture} for row in rows] for table, rows in model.items()
    }
    (about,) = made["captures"]
    about["name"] = f"show-{number}-{about['name']}"
    about["first_frame_at"] = FIRST_DAY + timedelta(seconds=dice.randrange(DAYS * 86400))
    hardware: dict[str, str] = defaultdict(lambda: f"00:00:5e:00:53:{dice.randrange(256):02x}")
    for row in made.get("devices", ()):
        row["hardware"] = hardware[str(row["hardware"])]
        row["maker"] = f"Maker {dice.randrange(MAKERS)} of things that talk"
        row["names"] = [f"box-{dice.randrange(1000)}.local"] if row["names"] else []
    for table in ("streams", "flows"):
        for row in made.get(table, ()):
            row["source"] = hardware[str(row["source"])]
    makers = [str(row["maker"]) for row in made.get("devices", ())]
    for row in made.get("findings", ()):
        row["culprits"] = [hardware[each] for each in row["culprits"]]  # type: ignore[union-attr]
        row["makers"] = dice.sample(makers, 1) if row["makers"] and makers else []
        row["headline"] = f"{row['headline']} ({dice.randrange(100_000)})"
        if row["outcome"] in ("fail", "caution") and dice.random() < 0.3:
            row |= {"outcome": "pass", "fix_first": None}
    return made


def fill(store: Store, models: Sequence[Rows], count: int, each: int = 2500) -> None:
    """Write so many cases, and a note to each hundredth."""
    together: dict[str, list[Row]] = defaultdict(list)
    for number, rows in enumerate(cases(models, count), 1):
        for table, of_it in rows.items():
            together[table] += of_it
        if number % 100 == 0:
            capture = rows["captures"][0]["capture"]
            together["notes"].append(
                {"capture": capture, "at_ns": number, "who": "Kim", "text": f"Cable {number} was bad."}
            )
        if number % each == 0 or number == count:
            store.add(together)
            together.clear()
