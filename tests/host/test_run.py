"""Asking commands: what they say, and None where they are missing, slow or fail. Run on a shell's own
commands."""

import sys
import time

from preflight.host.run import answers
from tests.pipes import PATIENCE_S


def python(script):
    return (sys.executable, "-c", script)


def test_what_each_command_says():
    told = answers(
        {
            "good": python("print('\u00fcber')"),
            "fails": python("print('half'); raise SystemExit(3)"),
            "missing": ("/nowhere/no-such-command",),
            "binary": python("import sys; sys.stdout.buffer.write(b'\\xff\\x00ok')"),
            "asks": python("print(input())"),
        }
    )
    assert told["good"].strip() == "\u00fcber"
    assert (told["fails"], told["missing"], told["asks"]) == (None, None, None)
    assert told["binary"] == "\ufffd\x00ok"


def test_a_slow_command_is_given_up():
    begun = time.monotonic()
    assert answers({"slow": python("import time; time.sleep(3600)")}, limit_s=0.5) == {"slow": None}
    assert time.monotonic() - begun < PATIENCE_S
