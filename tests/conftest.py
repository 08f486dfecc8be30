"""How the tests run: what needs a browser stands apart, and a busy machine fails none.

`python -m pytest` alone runs what needs no root, no namespaces and no browser. The folders of `norecursedirs`
(pyproject.toml) run when they are named; what takes the fixture `browser` runs with `-m browser`, or when its
file is named. Before several workers begin, what each process would make for itself is made once: the
package's byte code, and the compiled kernels.
"""

import compileall
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PACKAGE = Path(__file__).parents[1] / "preflight"

# How long an example takes, and how many are made in a second, says how busy the machine is. A test that
# suppresses another health check would be told again that it is slow: what several need stands here.
settings.register_profile(
    "any machine",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("any machine")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "browser: needs Chromium; what takes the fixture `browser` has it")
    named = config.args_source is pytest.Config.ArgsSource.ARGS
    if not named and not config.option.markexpr:
        config.option.markexpr = "not browser"
    if config.getoption("dist", "no") != "no":  # in a worker it is "no"
        _prepare()


def _prepare() -> None:
    """The tests start hundreds of processes: where Python is told not to write byte code, each would compile
    the package. Kernels that are not kept yet are compiled side by side; workers would all compile the
    same."""
    from preflight.frames import compile as engines

    compileall.compile_dir(PACKAGE, quiet=1)
    code = "import sys; from preflight.frames import compile; compile.compiled(group=sys.argv[1])"
    missing = [group for group in engines.KERNEL_MODULES if not engines.kept(group)[1]]
    compiling = [
        subprocess.Popen([sys.executable, "-c", code, group], cwd=PACKAGE.parent) for group in missing
    ]
    assert not any([each.wait() for each in compiling])


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker("browser")


@pytest.fixture(scope="module")
def browser() -> "Iterator[Browser]":
    from tests.report.pages import chromium

    with chromium() as started:
        yield started
