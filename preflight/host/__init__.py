"""This computer, as the operating system tells it: one reader per system behind one set of facts.

`common` asks what every system answers. A system with a file of its own here adds to that what only it can
say; the others keep None where the common reader has no answer.
"""

import sys

from preflight.host.facts import HostFacts


def read() -> HostFacts:
    """The facts of this computer, now. It only reads, and needs no privilege; what is refused stays None."""
    from preflight.host import common

    facts = common.read()
    if sys.platform == "linux":
        from preflight.host import linux

        return linux.enrich(facts)
    if sys.platform == "darwin":
        from preflight.host import macos
        from preflight.host.run import answers

        return macos.enrich(facts, answers(macos.COMMANDS))
    if sys.platform == "win32":
        from preflight.host import windows, windows_script
        from preflight.host.run import answers

        return windows.enrich(facts, answers(windows_script.commands())["powershell"])
    return facts
