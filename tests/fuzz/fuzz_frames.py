"""Fuzzing the capture readers with atheris: `python -m tests.fuzz.fuzz_frames read -max_total_time=120`.

`read` drives CaptureFile alone, `study` all from the bytes of a file to the verdict. Both run as plain
Python, so that coverage guides them into the kernels and an access beyond a frame is an IndexError; `read`
then asks the compiled kernels, which must say the same. CaptureError, in one line, is the only exception that
is meant. The corpus starts with captures made here and with the heads of the bundled ones, in a temporary
folder. libFuzzer's own -timeout and -rss_limit_mb find the rest.
"""

import gzip
import os
import struct
import subprocess
import sys
import tempfile
from importlib import import_module
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["preflight"]):
    from preflight import checks
    from preflight.frames import batch, capture
    from preflight.frames import compile as engines
    from preflight.frames import kernels as k
    from preflight.frames.errors import CaptureError
    from preflight.report.result import as_json
    from preflight.study import study
    from preflight.tally import shape_kernels, tally
    from preflight.verdict import judged
    from preflight.wire import READERS

    checks.all_checks()
    for reader in READERS.values():
        import_module(f"preflight.wire.{reader}")

import numpy as np
import zstandard

from tests.frames.made import BOX, DESK, GROUP, Pcap, Pcapng, Read, frame, read

CAPTURES = Path(__file__).parents[2] / "captures"
T = 1_795_600_000


def seeds() -> list[bytes]:
    frames = [frame(), frame(GROUP, BOX, "8100a00a"), frame(DESK, BOX, "88a800148100000a", 90)]
    made = []
    for order in "<>":
        for link, nano in ((1, False), (113, True), (276, False)):
            file = Pcap(order, nano, link)
            records = [file.record(T, n, data, wire=len(data) + n) for n, data in enumerate(frames)]
            made.append(file.header() + b"".join(records))
        ng = Pcapng(order)
        content = ng.section() + ng.interface(snap=70, resolution=9, offset=-3600)
        content += ng.interface(link=276, resolution=0x80 | 20) + ng.interface(link=189)
        content += ng.packet(0, T * 10**9, frames[0], options=ng.option(2, struct.pack(order + "I", 2)))
        content += ng.block(4, bytes(8)) + ng.packet(1, T << 20, frames[1]) + ng.packet(2, 1, frames[2])
        content += ng.simple(frames[0], wire=90) + ng.statistics(0, dropped=3, dropped_by_os=4)
        told = ng.option(2, b"eth0") + ng.option(8, struct.pack(order + "Q", 10**9)) + ng.option(1, b"words")
        content += ng.block(1, struct.pack(order + "HHI", 1, 0, 0) + told)
        content += ng.packet(3, T * 10**6, frames[0], options=ng.option(1, b"here"))
        content += ng.block(4, ng.option(1, b"\xc0\0\2\1desk\0"))
        wrapped = struct.pack("<III24sI", 40, 1, 1, b"en0", 2) + frames[0]
        pktap = Pcap(order, link=258)
        made += [content, content + made[0], made[0] + content, pktap.header() + pktap.record(T, 0, wrapped)]
    heads = [path.read_bytes()[:1000] for path in CAPTURES.iterdir() if path.suffix in (".pcap", ".pcapng")]
    return made + heads + [gzip.compress(made[0]), zstandard.compress(made[3])]


def use_plain_python() -> None:
    engines.ready = lambda: False
    batch.PLAIN_BYTES = capture.PLAIN_BYTES = 1 << 40


def use_small_tables() -> None:
    """An input holds some dozen frames. What is made and looked through for thousands of flows would take
    most of the time."""
    for name in ("FLOW_ROWS", "TALKER_ROWS", "COPY_ROWS", "STREAM_ROWS", "CLOCK_ROWS"):
        setattr(tally, name, 64)
    shape_kernels.CLOSE_ROWS = shape_kernels.SENDER_ROWS = 16
    shape_kernels.LOADS, shape_kernels.SENDER_COLUMNS = 16, 17
    tally.k.TIMELINE_ROWS = 32


def outcome(path: str) -> Read | str:
    try:
        return read(path)
    except CaptureError as error:
        return str(error)


def read_only(path: str) -> None:
    plain = outcome(path)
    engines.ready = lambda: True
    compiled = outcome(path)
    engines.ready = lambda: False
    if isinstance(plain, str) or isinstance(compiled, str):
        assert plain == compiled
        assert plain.isprintable()
        return
    assert plain.data == compiled.data
    assert plain.numbers == compiled.numbers
    assert plain.source == compiled.source
    told_by_readers = [column for column in range(k.COLUMNS) if column not in (k.SLOT, k.COPY)]
    assert np.array_equal(plain.columns[told_by_readers], compiled.columns[told_by_readers])


def to_the_verdict(path: str) -> None:
    as_json(judged(study(path)), None).encode()


def let_through(*_said: object) -> None:
    """A check that breaks is unproven; here it is to be seen."""
    raise


def main() -> None:
    # Kernels that coverage is built into cannot be compiled: another process does it where it has not been
    # done.
    subprocess.run(
        [sys.executable, "-c", "from preflight.frames import compile; compile.compiled()"], check=True
    )
    use_plain_python()
    what = {"read": read_only, "study": to_the_verdict}[sys.argv.pop(1)]
    if what is to_the_verdict:
        use_small_tables()
        checks.broken = let_through
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        for number, seed in enumerate(seeds()):
            (corpus / str(number)).write_bytes(seed)
        input_file = Path(folder) / "input.pcap"
        descriptor = os.open(input_file, os.O_RDWR | os.O_CREAT)

        def target(data: bytes) -> None:
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, data, 0)
            try:
                what(str(input_file))
            except CaptureError as error:
                assert str(error).isprintable()

        atheris.Setup([*sys.argv, str(corpus)], target)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
