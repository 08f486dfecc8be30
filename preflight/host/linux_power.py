"""Power on Linux: mains or battery, what holds the processor back, when the computer goes to sleep.

From sysfs: Documentation/ABI/testing/sysfs-class-power, Documentation/admin-guide/pm/cpufreq.rst,
Documentation/userspace-api/sysfs-platform_profile.rst. When a desktop goes to sleep is a setting of its
user's session, which is not read: only a system that cannot sleep at all (systemd's sleep.target is masked)
proves something.
"""

from dataclasses import replace
from pathlib import Path

from preflight.host.facts import Power
from preflight.host.linux_files import entries, read_text

# Drivers of this ending let the governor called "powersave" raise the clock under load all the same: the
# "active mode" of the processor makers' own drivers, in Documentation/admin-guide/pm.
SCALE_BY_THEMSELVES = ("_pstate", "-epp")
SLEEP_MASKS = ("etc/systemd/system/sleep.target", "run/systemd/system/sleep.target")


def power(told: Power, root: Path) -> Power:
    """`told` with what the tree under `root` knows."""
    plan, saving = _plan(root)
    return replace(
        told,
        on_mains=told.on_mains if told.on_mains is not None else _on_mains(root / "sys/class/power_supply"),
        saving=saving,
        plan=plan,
        sleeps_after_min=0 if any(_masked(root / path) for path in SLEEP_MASKS) else None,
    )


def _on_mains(folder: Path) -> bool | None:
    """True with a mains supply on, or with no battery at all: the computer runs. A battery of a keyboard or
    the like is not the system's."""
    supplies = entries(folder)
    if supplies is None:
        return None
    kinds = [(read_text(each / "type"), each) for each in supplies if read_text(each / "scope") != "Device"]
    mains = [read_text(each / "online") for kind, each in kinds if kind in ("Mains", "USB")]
    if "1" in mains:
        return True
    batteries = [read_text(each / "status") for kind, each in kinds if kind in ("Battery", "UPS")]
    if "Discharging" in batteries:
        return False
    return None if batteries else True


def _plan(root: Path) -> tuple[str | None, bool | None]:
    """What the system calls its power setting, and whether it holds the processor back."""
    profile = read_text(root / "sys/firmware/acpi/platform_profile")
    policies = entries(root / "sys/devices/system/cpu/cpufreq") or []
    governors = {
        (read_text(each / "scaling_governor"), read_text(each / "scaling_driver")) for each in policies
    } - {(None, None)}
    held = any(
        governor == "powersave" and not (driver or "").endswith(SCALE_BY_THEMSELVES)
        for governor, driver in governors
    )
    words = [f"profile {profile}"] if profile else []
    words += sorted({f"governor {governor}" for governor, _ in governors if governor})
    if not words:
        return None, None
    return ", ".join(words), held or profile == "low-power"


def _masked(unit: Path) -> bool:
    try:
        return unit.is_symlink() and str(unit.readlink()) == "/dev/null"
    except OSError:
        return False
