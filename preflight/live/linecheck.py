"""Facts at the control computer: what it says of itself, what it hears, and what it says of itself after
that: a cable pulled while listening shows in no frame."""

from collections.abc import Callable
from dataclasses import replace

from preflight.facts import Facts, told_link
from preflight.frames.batch import Batch, Progress
from preflight.frames.live import ListenRefused, open_listener
from preflight.frames.pcapng import Saver
from preflight.host.facts import HostFacts
from preflight.live.standby import Event, stand_by, stoppable
from preflight.survey import Survey


class _Hearing:
    """Takes what is heard, and saves it."""

    def __init__(self, survey: Survey, saver: Saver | None) -> None:
        self._survey, self._saver = survey, saver

    def add(self, batch: Batch) -> None:
        self._survey.add(batch)
        if self._saver:
            self._saver.add(batch)

    def judge(self, *_: object) -> list[Event]:
        return []

    look = judge


def linecheck(
    host: HostFacts,
    adapter: str,
    seconds: float,
    read_host: Callable[[], HostFacts],
    on_progress: Progress | None = None,
    open_saver: Callable[[], Saver] | None = None,
) -> Facts:
    """Listen on `adapter` of `host` for `seconds`, and put it beside what `read_host` says of the computer
    after that. The computer is read no oftener: on some systems that takes seconds. Where the system refuses
    to listen, the facts say why, and hold the computer alone. Ctrl-C ends the listening; the facts are then
    marked partial. What `open_saver` opens once the system lets us listen is given every frame."""
    link = told_link(host, adapter)
    try:
        listener = open_listener(adapter, seconds, on_progress)
    except ListenRefused as refused:
        return Facts(host=host, adapter=adapter, wire_refused=str(refused), **link)
    survey = Survey(link.get("link_mbps", 1000))
    saver = open_saver() if open_saver else None
    try:
        with stoppable() as stopped:
            for _ in stand_by(listener, _Hearing(survey, saver), stopped):
                pass
            listener.partial = stopped()
    finally:
        if saver:
            saver.close(listener.facts().dropped or 0)
    facts = survey.facts(listener.facts())
    return replace(facts, host=host, host_after=read_host(), adapter=adapter, **link)
