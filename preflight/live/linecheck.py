"""Facts at the control computer: what it says of itself, what it hears, and what it says of itself after that: a
cable pulled while listening shows in no frame."""

from collections.abc import Callable

from preflight.facts import Facts, told_link
from preflight.frames.batch import Progress
from preflight.frames.live import ListenRefused, open_listener
from preflight.frames.pcapng import Saver
from preflight.host.facts import HostFacts
from preflight.survey import Survey, vantage


def linecheck(
    host: HostFacts,
    adapter: str,
    seconds: float,
    read_host: Callable[[], HostFacts],
    on_progress: Progress | None = None,
    open_saver: Callable[[], Saver] | None = None,
) -> Facts:
    """Listen on `adapter` of `host` for `seconds`, and put it beside what `read_host` says of the computer after that.
    The computer is read no oftener: on some systems that takes seconds. Where the system refuses to listen, the facts say why, and hold the computer alone. Ctrl-C ends the listening; the facts are then
    marked partial. What `open_saver` opens once the system lets us listen is given every frame."""
    link = told_link(host, adapter)
    try:
        listener = open_listener(adapter, seconds, on_progress)
    except ListenRefused as refused:
        return Facts(host=host, adapter=adapter, wire_refused=str(refused), **link)
    survey = Survey(link.get("link_mbps", 1000))
    saver = open_saver() if open_saver else None
    try:
        for batch in listener.batches():
            survey.add(batch)
            if saver:
                saver.add(batch)
    except KeyboardInterrupt:
        listener.partial = True
    finally:
        if saver:
            saver.close(listener.facts().dropped or 0)
    tally = survey.tally_facts()
    seen_from = vantage(tally)
    return Facts(
        source=listener.facts(),
        tally=tally,
        wire=survey.wire(),
        vantage=seen_from if seen_from == "mirror" else "access port",
        host=host,
        host_after=read_host(),
        adapter=adapter,
        **link,
    )
