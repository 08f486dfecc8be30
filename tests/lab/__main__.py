"""`python -m tests.lab record [NAME]` makes the bundled captures; `drill [--short]` measures the product;
`rate` tells how fast it can listen."""

import argparse
import signal
import sys


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.lab", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("record").add_argument("name", nargs="?")
    drill = commands.add_parser("drill")
    drill.add_argument("--short", action="store_true")
    drill.add_argument("--lanes", type=int, default=1, help="rigs at a time; they wait more than they work")
    commands.add_parser("rate")
    asked = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that a rig is always removed
    if asked.command == "record":
        from tests.lab.bundled import record_bundled

        record_bundled(asked.name)
        return 0
    if asked.command == "rate":
        from tests.lab.flood import flood
        from tests.lab.rig import Rig

        for count, rate_fps in ((10_000_000, None), (2_000_000, 200_000)):
            with Rig() as rig:
                print(flood(rig, count, rate_fps))
        return 0
    from tests.lab.drill import run

    return run(short=asked.short, lanes=asked.lanes)


if __name__ == "__main__":
    sys.exit(main())
