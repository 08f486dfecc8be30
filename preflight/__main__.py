"""`python -m preflight`, the same as `preflight`.

While the rest is loaded, and once it is done, Ctrl-C simply ends the process: there is nothing yet, or nothing more, that could
answer it better than by a traceback. Where it was ignored before (nohup), it stays ignored.
"""

import signal

if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    signal.signal(signal.SIGINT, signal.SIG_DFL)

from preflight.cli import main as command_line


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
