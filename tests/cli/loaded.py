"""Loads all of the command line but the archive: what the fork server of warm.py imports before its first
fork."""

from importlib import import_module
from pkgutil import walk_packages

import preflight
import preflight.__main__  # noqa: F401 (first, for what it sets before NumPy is loaded)
from preflight.frames import compile as engines

SELDOM = ("preflight.archive", "preflight.cli.archive", "preflight.frames.intrinsics")  # Dask, DuckDB, Numba

for module in walk_packages(preflight.__path__, "preflight."):
    if not module.name.startswith(SELDOM):
        import_module(module.name)
for group in engines.KERNEL_MODULES:
    engines.compiled(group=group)
