"""How warm the adapter is, from recorded /sys trees."""

from pathlib import Path

import pytest

from tests.host.trees import Tree


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def sensor(tree: Tree, folder: str, **files: object) -> None:
    for name, value in files.items():
        tree.write(f"sys/devices/pci-eth1/{folder}/temp1_{name}", value)


def told(tree: Tree) -> tuple[float | None, float | None]:
    adapter = tree.adapter("eth1")
    return adapter.temperature_c, adapter.hot_c


def test_an_adapter_without_sensors_tells_nothing(tree: Tree) -> None:
    tree.add("eth1")
    assert told(tree) == (None, None)


def test_a_sensor_with_its_makers_limits(tree: Tree) -> None:
    tree.add("eth1")
    sensor(tree, "hwmon/hwmon3", input=51500, crit=110000, max=105000)
    assert told(tree) == (51.5, 105.0)


def test_a_sensor_where_old_drivers_put_it_and_the_phys_own(tree: Tree) -> None:
    folder = tree.add("eth1")
    sensor(tree, ".", input=40000)
    assert told(tree) == (40.0, None)
    tree.write("sys/devices/phy/hwmon/hwmon1/temp1_input", 72000)
    (folder / "phydev").symlink_to(tree.root / "sys/devices/phy")
    assert told(tree) == (72.0, None)


def test_the_sensor_nearest_to_its_limit_counts(tree: Tree) -> None:
    tree.add("eth1")
    sensor(tree, "hwmon/hwmon1", input=80000, crit=120000)
    sensor(tree, "hwmon/hwmon2", input=65000, crit=70000)
    assert told(tree) == (65.0, 70.0)


@pytest.mark.parametrize("value", ["", "hot", "-273000", "0", "4000000", "9" * 30, b"\xff\xfe"])
def test_a_sensor_that_is_not_connected_or_lies_tells_nothing(tree: Tree, value: object) -> None:
    tree.add("eth1")
    sensor(tree, "hwmon/hwmon1", input=value, crit=value)
    assert told(tree) == (None, None)
