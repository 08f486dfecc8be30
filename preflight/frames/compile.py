"""The same kernels, as plain Python or compiled by Numba.

A kernel is a Python function over bytes and int64 arrays, marked with `@kernel`. Right after an install, a
small capture runs it as it stands, so that nobody waits for a compiler. Anything larger runs machine code:
Numba compiles the kernels once for a machine, as C functions whose object code is kept in a cache folder;
from then on llvmlite alone loads it, in milliseconds instead of the half second that importing Numba takes.
The folder is named after all that the code depends on (source, versions, processor), so that a changed kernel
can never meet stale code. A copy that goes out without Numba has its kernels along, made for any processor of
the kind (`prepare`).
"""

import ctypes
import hashlib
import importlib
import json
import os
import re
import shutil
import sys
import tempfile
import weakref
from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from types import FunctionType, SimpleNamespace
from typing import Any

import numpy as np

# What is compiled together, by what it is for: nobody waits for kernels of which there is no need.
SURVEY, ANONYMISE, BETWEEN = "kernels", "anonymise", "between"
KERNEL_MODULES = {
    SURVEY: (
        "preflight.frames.kernels",
        "preflight.tally.kernels",
        "preflight.tally.course_kernels",
        "preflight.tally.stream_kernels",
        "preflight.tally.clock_kernels",
        "preflight.tally.periodic",
        "preflight.tally.periodic_kernels",
        "preflight.tally.shape_kernels",
        "preflight.tally.counters",
        "preflight.tally.counter_kernels",
        "preflight.tally.passes",
    ),
    ANONYMISE: ("preflight.anonymise.kernels",),
    BETWEEN: ("preflight.between.kernels",),
}
_signatures: dict[Callable, str] = {}


class Columns:
    """Numbers the columns of a table one after another, for the constants by which kernels know them: Numba
    takes a plain int of a module as it stands. `size` is how many there are."""

    def __init__(self) -> None:
        self.size = 0

    def take(self, names: int, width: int = 1) -> range:
        """The next columns, for as many names; each has room for `width` numbers."""
        start, self.size = self.size, self.size + names * width
        return range(start, self.size, width)


BYTES = "uint8[::1]"
TABLE = "int64[:,::1]"
ROW = "int64[::1]"
INTRINSIC = "intrinsic"
SELDOM = "seldom"
INDEX = "index.json"
PREPARED = Path(__file__).parents[1] / "prepared"
ANY_PROCESSOR = ("generic", "")  # LLVM's name for the least of the kind, and no features beyond
ARRAYS = {BYTES: (np.dtype(np.uint8), 1), TABLE: (np.dtype(np.int64), 2), ROW: (np.dtype(np.int64), 1)}
SCALARS = {"int64": ctypes.c_int64, "boolean": ctypes.c_bool, "void": None}


def kernel(signature: str = "") -> Callable[[Callable], Callable]:
    """Mark a function as a kernel. `signature` is Numba's, "" for a helper that other kernels call, SELDOM
    for one that they do not call for every frame, or INTRINSIC for one whose compiled stand-in is in
    `intrinsics`."""

    def mark(function: Callable) -> Callable:
        _signatures[function] = signature
        return function

    return mark


def _kernels(group: str) -> list[Callable]:
    """The kernels of a group, after those of the survey, which they may call."""
    modules = dict.fromkeys((*KERNEL_MODULES[SURVEY], *KERNEL_MODULES[group]))
    for name in modules:
        importlib.import_module(name)
    return [function for function in _signatures if function.__module__ in modules]


def _entries(group: str) -> list[Callable]:
    """The kernels of a group that are called from Python."""
    outside = ("", SELDOM, INTRINSIC)
    return [
        f for f in _kernels(group) if f.__module__ in KERNEL_MODULES[group] and _signatures[f] not in outside
    ]


class Engine(SimpleNamespace):
    """The kernels by name. `bytes_of` turns a uint8 array into what they read fastest."""


def plain(group: str = SURVEY) -> Engine:
    """The kernels as plain Python: about 20 thousand frames/s, ready at once."""
    return Engine(bytes_of=memoryview, compiled=False, **{f.__name__: f for f in _kernels(group)})


_compiled: dict[str, Engine] = {}


def compiled(say: Callable[[str], None] | None = None, group: str = SURVEY) -> Engine:
    """The kernels compiled. The first call on a machine takes some seconds; `say` is told so beforehand."""
    if group not in _compiled:
        folder, there = kept(group)
        if folder and there:
            _compiled[group] = _load(folder, group)
        else:
            if say:
                say("Preparing the frame engine, once after install")
            _compiled[group] = _load_new(folder, group)
    return _compiled[group]


def ready(group: str = SURVEY) -> bool:
    """Whether compiled kernels are at hand: then even a small capture is better off with them."""
    return group in _compiled or kept(group)[1]


def kept(group: str = SURVEY) -> tuple[Path | None, bool]:
    """Where compiled kernels are kept, and whether they are there; None where the user has no home to keep
    them in."""
    if (PREPARED / group / INDEX).is_file():
        return PREPARED / group, True
    folder = cache_folder(group)
    return folder, folder is not None and (folder / INDEX).is_file()


def prepare(folder: Path) -> None:
    """Compile all kernels for any processor of this kind, to go out as `PREPARED`."""
    import numba

    numba.config.CPU_NAME, numba.config.CPU_FEATURES = ANY_PROCESSOR  # type: ignore[attr-defined]
    for group in KERNEL_MODULES:
        (folder / group).mkdir(parents=True)
        _compile(folder / group, group, ANY_PROCESSOR)


@cache
def cache_folder(group: str = SURVEY) -> Path | None:
    """Where kernels are kept that were compiled for this processor; None for a user without a home."""
    files = {Path(f.__code__.co_filename) for f in _kernels(group)}
    files |= {Path(__file__), Path(__file__).with_name("intrinsics.py")}
    depends = hashlib.sha256(b"".join(path.read_bytes() for path in sorted(files)))
    depends.update("".join((_version("numba"), _version("llvmlite"), sys.platform, *_processor())).encode())
    base = os.environ.get("XDG_CACHE_HOME") or (
        os.environ.get("LOCALAPPDATA") if sys.platform == "win32" else None
    )
    try:
        return Path(base or Path.home() / ".cache") / "preflight" / f"{group}-{depends.hexdigest()[:12]}"
    except RuntimeError:  # pathlib's word for it
        return None


def _version(library: str) -> str:
    """What a library says of its version, without loading it, nor what could look it up (importlib.metadata
    takes 8 ms)."""
    spec = find_spec(library)
    return Path(spec.origin).with_name("_version.py").read_text("utf-8") if spec and spec.origin else ""


# -- loading -------------------------------------------------------------------------------------------------


def _processor() -> tuple[str, str]:
    """The name and features of this processor."""
    import llvmlite.binding as llvm

    return llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()


def _target_machine(processor: tuple[str, str]):
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    target = llvm.Target.from_default_triple()
    # As Numba's own just-in-time compiler has it: relocatable code would look for its constants in the wrong
    # place.
    return target.create_target_machine(
        cpu=processor[0],
        features=processor[1],
        opt=3,
        reloc="static" if target.name.startswith("x86") else "default",
        codemodel="jitdefault",
        jit=True,
    )


def _load(folder: Path, group: str) -> Engine:
    """An engine from the object code in `folder`."""
    import llvmlite.binding as llvm

    index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
    linker = llvm.create_mcjit_compiler(llvm.parse_assembly(""), _target_machine(_processor()))
    # Numba's code for raising exceptions is in the objects, though no kernel raises any.
    never = (
        llvm.address_of_symbol("abort") or ctypes.cast(ctypes.pythonapi.Py_FatalError, ctypes.c_void_p).value
    )
    for symbol in index["outside"]:
        if not llvm.address_of_symbol(symbol):
            llvm.add_symbol(symbol, never)
    for name in index["symbols"]:
        linker.add_object_file(llvm.ObjectFileRef.from_data((folder / f"{name}.o").read_bytes()))
    linker.finalize_object()
    functions = {
        f.__name__: _callable(linker.get_function_address(index["symbols"][f.__name__]), _signatures[f])
        for f in _entries(group)
    }
    return Engine(bytes_of=lambda array: array, compiled=True, _linker=linker, **functions)


def _types(signature: str) -> tuple[str, list[str]]:
    """Result and arguments of a signature such as "void(uint8[::1], int64)"."""
    result, arguments = signature.rstrip(")").split("(", 1)
    return result, re.findall(r"\w+(?:\[[^\]]*\])?", arguments)


def _callable(address: int, signature: str) -> Callable:
    """The C function at `address`, called with arrays as the kernel is. It runs without the interpreter's
    lock."""
    result, arguments = _types(signature)
    parameters: list[type] = []
    for argument in arguments:
        if argument in ARRAYS:
            parameters += [ctypes.c_void_p] + [ctypes.c_int64] * ARRAYS[argument][1]
        else:
            parameters.append(SCALARS[argument])  # type: ignore[arg-type]
    function = ctypes.CFUNCTYPE(SCALARS[result], *parameters)(address)
    kinds = [ARRAYS.get(argument) for argument in arguments]

    def call(*values):
        flat: list = []
        for value, kind in zip(values, kinds, strict=True):
            if kind is None:
                flat.append(value)
            else:
                flat += _place(value, kind)
        return function(*flat)

    return call


_places: dict[int, tuple[weakref.ref, tuple, tuple[int, ...]]] = {}


def _place(array: np.ndarray, kind: tuple) -> tuple[int, ...]:
    """The address and the lengths of an array. NumPy takes longer to tell them than many a kernel to run, so
    they are kept for as long as the array lives."""
    known = _places.get(id(array))
    if known is not None and known[0]() is array and known[1] is kind:
        return known[2]
    if array.dtype != kind[0] or array.ndim != kind[1] or not array.flags.c_contiguous:
        raise TypeError(f"a kernel takes {kind[0]} of {kind[1]} dimensions, in one piece")
    key, place = id(array), (array.ctypes.data, *array.shape)
    _places[key] = weakref.ref(array, lambda _: _places.pop(key, None)), kind, place
    return place


# -- compiling -----------------------------------------------------------------------------------------------


def _load_new(folder: Path | None, group: str) -> Engine:
    """Compile into a folder of its own, load that, and leave it at `folder` for the next run, where it may be
    written."""
    made = Path(tempfile.mkdtemp(prefix="preflight-"))
    try:
        _compile(made, group, _processor())
        engine = _load(made, group)
        if folder is not None:
            _keep(made, folder)
        return engine
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _keep(made: Path, folder: Path) -> None:
    """Copy `made` to `folder`, all at once, or leave nothing."""
    beside: Path | None = None
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(dir=folder.parent, prefix="making-"))
        shutil.copytree(made, beside, dirs_exist_ok=True)
        beside.rename(folder)
    except OSError:  # nowhere to keep it, or another run was quicker
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)


def _compile(folder: Path, group: str, processor: tuple[str, str]) -> None:
    """Write the object code of each of a group's kernels and the index of their symbols into `folder`."""
    import llvmlite.binding as llvm
    import numba

    from preflight.frames import intrinsics

    jitted: dict[Callable, object] = {}
    symbols: dict[str, str] = {}
    outside: set[str] = set()
    machine = _target_machine(processor)
    # Nobody but kernels and `_entry` calls them: what Numba puts around them for others takes a third of the
    # time.
    options: dict[str, Any] = {"error_model": "numpy", "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    entries = _entries(group)
    for function in _kernels(group):
        name, signature = function.__name__, _signatures[function]
        if signature == INTRINSIC:
            jitted[function] = getattr(intrinsics, name)
            continue
        # Kernels call their helpers by global name: give each a copy of its globals with the jitted ones in.
        # Two modules may have helpers of one name, so that it is the function that tells which is meant.
        helpers = {
            called: jitted[each]
            for called, each in function.__globals__.items()
            if isinstance(each, FunctionType) and each in jitted
        }
        copy = FunctionType(function.__code__, {**function.__globals__, **helpers}, name)
        # Arrays are handed to a function in seven pieces and more: a helper is put in where it is called for
        # every frame. Not elsewhere, nor where many call many, as in the anonymiser's: that takes minutes to
        # compile.
        inline = not signature and group != ANONYMISE
        jitted[function] = numba.njit(forceinline=inline, **options)(copy)
        if function in entries:
            entry = _entry(signature, jitted[function])
            text = entry.inspect_llvm()
            outside |= set(re.findall(r"^declare .*?@\"?([\w.]+)\"?\(", text, re.MULTILINE))
            (folder / f"{name}.o").write_bytes(machine.emit_object(llvm.parse_assembly(text)))
            symbols[name] = entry.native_name
    wanted = sorted(symbol for symbol in outside if not symbol.startswith("llvm."))
    (folder / INDEX).write_text(json.dumps({"symbols": symbols, "outside": wanted}), encoding="utf-8")


def _entry(signature: str, jitted: object):
    """A C function that takes arrays as pointers and lengths, makes arrays of them and calls the kernel."""
    import numba

    result, arguments = _types(signature)
    kinds, names, values = [], [], []
    for number, argument in enumerate(arguments):
        names.append(f"a{number}")
        if argument in ARRAYS:
            lengths = [f"a{number}_{d}" for d in range(ARRAYS[argument][1])]
            kinds += [f"CPointer({argument.split('[')[0]})"] + ["int64"] * len(lengths)
            names += lengths
            values.append(f"carray(a{number}, ({', '.join(lengths)},))")
        else:
            kinds.append(argument)
            values.append(f"a{number}")
    scope = {"carray": numba.carray, "kernel": jitted}
    exec(f"def entry({', '.join(names)}):\n    return kernel({', '.join(values)})\n", scope)
    return numba.cfunc(f"{result}({', '.join(kinds)})")(scope["entry"])
