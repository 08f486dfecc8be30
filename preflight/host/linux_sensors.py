"""How warm an adapter is, by Linux's hwmon: sensors of the adapter itself, and of the chip that drives its
cable (PHY).

Linux, Documentation/hwmon/sysfs-interface.rst: temp*_input in thousandths of a degree Celsius; temp*_max and
temp*_crit are where the maker sets the alarm and where the part is no longer safe.
"""

from pathlib import Path

from preflight.host.linux_files import entries, read_number

COLDEST, HOTTEST = 0, 150_000  # beyond these the sensor is not connected


def adapter(folder: Path) -> tuple[float | None, float | None]:
    """The hottest sensor of the adapter whose /sys folder this is, and its maker's limit."""
    found = [
        (value, _limit(sensor))
        for sensor in _sensors(folder)
        if (value := _degrees(sensor, "_input")) is not None
    ]
    # The one that is nearest to its own limit; one without a limit counts by its heat.
    return max(found, key=lambda each: each[0] - (each[1] or 100.0), default=(None, None))


def _sensors(folder: Path) -> list[Path]:
    """`.../temp1` of each sensor. The folder is `hwmon/hwmon3`, of old drivers the device's own."""
    devices = [folder / "device", folder / "phydev"]
    chips = [
        chip for each in devices for chip in entries(each / "hwmon") or [] if chip.name.startswith("hwmon")
    ]
    files = [file for chip in (*chips, folder / "device") for file in entries(chip) or []]
    return [
        file.with_name(file.name.removesuffix("_input"))
        for file in files
        if file.name.startswith("temp") and file.name.endswith("_input")
    ]


def _degrees(sensor: Path, what: str) -> float | None:
    number = read_number(sensor.with_name(sensor.name + what))
    return number / 1000 if number is not None and COLDEST < number < HOTTEST else None


def _limit(sensor: Path) -> float | None:
    told = [limit for what in ("_max", "_crit") if (limit := _degrees(sensor, what)) is not None]
    return min(told, default=None)
