"""Head-room of this computer: processor while listening (without this program's own share), memory, room on
the disk."""

from preflight.checks.asks import Computer
from preflight.checks.finding import Outcome
from preflight.checks.rule import AGAIN, Check, Limit
from preflight.checks.says import Limits, Measured, Says, caution, passed, trouble, unproven
from preflight.checks.step import before_doors, now
from preflight.host.facts import Load

CHECK = Check(
    name="computer-load",
    subject="computer",
    order=500,
    asks=Computer,
    question="Does this computer have head-room?",
    looks_at=(
        "How busy the processor was while listening, without what preflight itself used; how much memory "
        "programs can still have; how much room the system's disk has."
    ),
    why="A computer at its limit takes frames too late, and drops them. A full disk stops a recording.",
    limits=(
        Limit("cpu_caution", 80, "% of all cores while listening", "common practice"),
        Limit("memory_caution", 10, "% of the memory left", "common practice"),
        Limit("memory_fail", 3, "% of the memory left", "common practice"),
        Limit("disk_caution", 5, "GB left on the system's disk", "common practice"),
        Limit("disk_fail", 1, "GB left on the system's disk", "common practice"),
    ),
    sources=("common practice",),
    fixes=(
        now(
            "Close programs that are not needed for the show: browsers, mail, updates, backups, virus scans."
        ),
        now("Make room on the disk: move old recordings to another one."),
        before_doors("Restart the computer before doors, not during the show."),
        AGAIN,
    ),
    unproven="Look in the system's own monitor: processor, memory and disk should have room, with the show "
    "running.",
)


def judge(computer: Computer, limits: Limits) -> Says:
    now = (computer.host_after or computer.host).load
    cpu = _busy_percent(computer.host.load, now) if computer.host_after is not None else None
    free, memory = now.memory_free_bytes, None
    if free is not None and now.memory_bytes:
        memory = 100 * free / now.memory_bytes
    disk_gb = now.disk_free_bytes / 1e9 if now.disk_free_bytes is not None else None
    room = {"cpu_percent": cpu, "memory_free_percent": memory, "disk_free_gb": disk_gb}
    yield Measured({name: None if fact is None else round(fact, 1) for name, fact in room.items()})
    if memory is not None and memory < limits["memory_caution"]:
        yield trouble(
            Outcome.FAIL if memory < limits["memory_fail"] else Outcome.CAUTION,
            f"Only {memory:.0f} % of the memory is left.",
            fixes=[CHECK.fixes[0], AGAIN],
        )
    if disk_gb is not None and disk_gb < limits["disk_caution"]:
        yield trouble(
            Outcome.FAIL if disk_gb < limits["disk_fail"] else Outcome.CAUTION,
            f"Only {disk_gb:.1f} GB are left on the system's disk.",
            fixes=[CHECK.fixes[1], AGAIN],
        )
    if cpu is not None and cpu >= limits["cpu_caution"]:
        yield caution(f"The processor was {cpu:.0f} % busy while listening.", fixes=[CHECK.fixes[0], AGAIN])
    if cpu is not None and memory is not None and disk_gb is not None:
        yield passed(
            f"There is head-room: processor {cpu:.0f} % busy, {memory:.0f} % of the memory and "
            f"{disk_gb:.0f} GB left."
        )
        return
    told = {"processor": cpu, "memory": memory, "disk": disk_gb}
    unknown = [name for name, fact in told.items() if fact is None]
    have = "have" if len(unknown) > 1 else "has"
    yield unproven(f"It is not known how much room the {' and the '.join(unknown)} {have}.")


def _busy_percent(before: Load, after: Load) -> float | None:
    """How busy all cores were in between, without this program itself. None where the times make no sense."""
    if before.busy_s is None or before.total_s is None or after.busy_s is None or after.total_s is None:
        return None
    total = after.total_s - before.total_s
    busy = after.busy_s - before.busy_s - max(0.0, after.own_s - before.own_s)
    return max(0.0, min(100.0, 100 * busy / total)) if total > 0 else None
