"""Head-room of this computer: processor while listening (without this program's own share), memory, room on the disk."""

from preflight.checks.asks import View
from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.checks.rule import Check, Limit
from preflight.facts import Facts
from preflight.host.facts import Load

CHECK = Check(
    name="computer-load",
    subject="computer",
    order=500,
    asks=View,
    question="Does this computer have head-room?",
    looks_at=(
        "How busy the processor was while listening, without what preflight itself used; how much memory programs can "
        "still have; how much room the system's disk has."
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
        "Close programs that are not needed for the show: browsers, mail, updates, backups, virus scans.",
        "Make room on the disk: move old recordings to another one.",
        "Restart the computer before doors, not during the show.",
        "Run the line check again.",
    ),
    unproven="Look in the system's own monitor: processor, memory and disk should have room, with the show running.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    now, limits = (facts.host_after or facts.host).load, CHECK.values()
    cpu = _busy_percent(facts.host.load, now) if facts.host_after is not None else None
    memory = _percent(now.memory_free_bytes, now.memory_bytes)
    disk_gb = now.disk_free_bytes / 1e9 if now.disk_free_bytes is not None else None
    measured = {
        "cpu_percent": _rounded(cpu),
        "memory_free_percent": _rounded(memory),
        "disk_free_gb": _rounded(disk_gb),
    }
    texts, fixes = [], []
    if memory is not None and memory < limits["memory_caution"]:
        texts.append(f"Only {memory:.0f} % of the memory is left.")
        fixes.append(CHECK.fixes[0])
    if disk_gb is not None and disk_gb < limits["disk_caution"]:
        texts.append(f"Only {disk_gb:.1f} GB are left on the system's disk.")
        fixes.append(CHECK.fixes[1])
    if cpu is not None and cpu >= limits["cpu_caution"]:
        texts.append(f"The processor was {cpu:.0f} % busy while listening.")
        fixes.append(CHECK.fixes[0])
    if texts:
        failed = (memory is not None and memory < limits["memory_fail"]) or (
            disk_gb is not None and disk_gb < limits["disk_fail"]
        )
        return Finding(
            CHECK.name,
            Outcome.FAIL if failed else Outcome.CAUTION,
            texts[0],
            evidence=tuple(Evidence(each) for each in texts[1:]),
            measured=measured,
            limits=limits,
            fixes=(*dict.fromkeys(fixes), CHECK.fixes[-1]),
        )
    unknown = [
        name for name, fact in (("processor", cpu), ("memory", memory), ("disk", disk_gb)) if fact is None
    ]
    if unknown:
        return Finding(
            CHECK.name,
            Outcome.UNPROVEN,
            f"It is not known how much room the {' and the '.join(unknown)} ha{'ve' if len(unknown) > 1 else 's'}.",
            measured=measured,
            limits=limits,
            fixes=(CHECK.unproven,),
        )
    return Finding(
        CHECK.name,
        Outcome.PASS,
        f"There is head-room: processor {cpu:.0f} % busy, {memory:.0f} % of the memory and {disk_gb:.0f} GB left.",
        measured=measured,
        limits=limits,
    )


def _busy_percent(before: Load, after: Load) -> float | None:
    """How busy all cores were in between, without this program itself. None where the times make no sense."""
    if before.busy_s is None or before.total_s is None or after.busy_s is None or after.total_s is None:
        return None
    total = after.total_s - before.total_s
    busy = after.busy_s - before.busy_s - max(0.0, after.own_s - before.own_s)
    return max(0.0, min(100.0, 100 * busy / total)) if total > 0 else None


def _percent(part: int | None, whole: int | None) -> float | None:
    return 100 * part / whole if part is not None and whole else None


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
