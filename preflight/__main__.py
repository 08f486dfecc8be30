"""`python -m preflight`, the same as `preflight`.

While the rest is loaded, and once it is done, Ctrl-C simply ends the process: there is nothing yet, or
nothing more, that could answer it better than by a traceback. Where it was ignored before (nohup), it stays
ignored.
"""

import gc
import os
import signal

# Half of a small capture's time goes into loading. What is loaded stays: a collector that looks through it
# again for every 700 new objects costs a tenth of that. And nothing here is so large that linear algebra
# would want threads of its own.
gc.set_threshold(200_000, 10, 10)
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")  # a table of which few rows are used takes few pages

if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    signal.signal(signal.SIGINT, signal.SIG_DFL)

from preflight.cli import main as command_line  # noqa: E402


def main() -> None:
    if signal.getsignal(signal.SIGINT) != signal.SIG_DFL:
        return command_line()
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        return command_line()
    finally:
        signal.signal(signal.SIGINT, signal.SIG_DFL)


if __name__ == "__main__":
    main()
