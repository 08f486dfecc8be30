"""What `ifconfig -a -m` tells on macOS, one block an interface, its lines indented.

Known from ifconfig(8), the names of media in net/if_media.h of XNU, and outputs that people published, as in
the tests. A line that does not look as expected tells nothing.
"""

import re
from dataclasses import dataclass, field

from preflight.text import clean

HEAD = re.compile(r"^([A-Za-z][\w.-]{0,31}): flags=", re.ASCII)
MEDIA = re.compile(
    r"^media: (?P<set>[^(<]*?)\s*(?:\((?P<found>[^<)]*)(?:<(?P<o>[^>]*)>)?\s*\)|<(?P<p>[^>]*)>)?$"
)


@dataclass
class Interface:
    """`media` is the link's kind, such as 1000baseT, `options` what goes with it; `supported` all options
    that the driver could use. `members` are the interfaces that a bridge joins."""

    active: bool | None = None
    automatic: bool | None = None
    media: str = ""
    options: frozenset[str] = frozenset()
    supported: set[str] = field(default_factory=set)
    members: list[str] = field(default_factory=list)


def read(text: str) -> dict[str, Interface]:
    found: dict[str, Interface] = {}
    now = Interface()
    for line in text.splitlines():
        if head := HEAD.match(line):
            now = found.setdefault(clean(head[1]), Interface())
        else:
            _line(line.strip(), now)
    return found


def _line(line: str, now: Interface) -> None:
    word, _, rest = line.partition(" ")
    if word == "status:":
        now.active = {"active": True, "inactive": False}.get(rest.strip())
    elif word == "member:":
        now.members.append(clean(rest.split(" ")[0]))
    elif word == "media" and "mediaopt" in rest:
        for options in re.findall(r"mediaopt (\S+)", rest):
            now.supported.update(options.split(","))
    elif media := MEDIA.match(line):
        told, by_hand = (media["found"] or "").strip(), media["set"].strip()
        if "none" in (told, by_hand) or not by_hand:
            return
        now.automatic = by_hand == "autoselect"
        now.media = told or ("" if now.automatic else by_hand)
        now.options = frozenset((media["o"] or media["p"] or "").split(",")) - {""}
