"""The same kernels, as plain Python or compiled by Numba.

A kernel is a Python function over bytes and int64 arrays, marked with `@kernel`. A small capture runs it as it
stands, so that Numba is not even imported; anything larger runs it compiled. Compiled code is kept in a
cache folder named after the source of all kernels, so that a changed kernel can never meet stale code. Helpers
(kernels without a signature) are inlined into the kernels that call them and are not compiled on their own.
"""

import hashlib
import importlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from types import FunctionType, SimpleNamespace

KERNEL_MODULES = ("preflight.frames.kernels", "preflight.tally.kernels")
_signatures: dict[Callable, str] = {}

BYTES = "uint8[::1]"
TABLE = "int64[:,::1]"
ROW = "int64[::1]"
INTRINSIC = "intrinsic"


def kernel(signature: str = "") -> Callable[[Callable], Callable]:
    """Mark a function as a kernel. `signature` is Numba's, "" for a helper that other kernels call, or INTRINSIC for a
    helper whose compiled stand-in is in `intrinsics`."""

    def mark(function: Callable) -> Callable:
        _signatures[function] = signature
        return function

    return mark


def _kernels() -> list[Callable]:
    for name in KERNEL_MODULES:
        importlib.import_module(name)
    return list(_signatures)


class Engine(SimpleNamespace):
    """The kernels by name. `bytes_of` turns a uint8 array into what they read fastest."""


def plain() -> Engine:
    """The kernels as plain Python: about 20 thousand frames/s, ready at once."""
    return Engine(bytes_of=memoryview, compiled=False, **{f.__name__: f for f in _kernels()})


_compiled: Engine | None = None


def compiled(say: Callable[[str], None] | None = None) -> Engine:
    """The kernels compiled. The first call on a machine takes some seconds; `say` is told so beforehand."""
    global _compiled
    if _compiled is None:
        _compiled = _compile(say)
    return _compiled


def cache_folder() -> Path:
    """Where compiled kernels are kept: one folder for each version of their source."""
    kernels = _kernels()
    files = sorted({Path(f.__code__.co_filename) for f in kernels})
    stamps = "".join(f"{p}{p.stat().st_mtime_ns}" for p in files).encode()
    source = hashlib.sha256(stamps + b"".join(p.read_bytes() for p in files)).hexdigest()[:12]
    base = os.environ.get("XDG_CACHE_HOME")
    if not base and sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
    return Path(base or Path.home() / ".cache") / "preflight" / f"kernels-{source}"


def _compile(say: Callable[[str], None] | None) -> Engine:
    folder = cache_folder()
    new = not folder.is_dir()
    if new and say:
        say("Preparing the frame engine, once after install")
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    import numba

    from preflight.frames import intrinsics

    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    made: dict[str, object] = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        cache = True
    except OSError:
        cache = False  # nowhere to keep it: compile for this run only
    for function in _kernels():
        # Kernels call their helpers by global name: give each a copy of its globals with the jitted ones in.
        scope = {**function.__globals__, **made}
        copy = FunctionType(function.__code__, scope, function.__name__)
        copy.__qualname__, copy.__module__ = function.__qualname__, function.__module__
        signature = _signatures[function]
        if signature == INTRINSIC:
            made[function.__name__] = getattr(intrinsics, function.__name__)
        elif signature:
            made[function.__name__] = numba.njit(signature, cache=cache, nogil=True)(copy)
        else:
            made[function.__name__] = numba.njit(inline="never", nogil=True)(copy)
    return Engine(bytes_of=lambda array: array, compiled=True, **made)
