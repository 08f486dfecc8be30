"""`preflight watch`: stand by for a whole show, and tell what changes."""

from functools import partial
from pathlib import Path

import click

from preflight.cli.options import (
    Command,
    Duration,
    Size,
    adapters,
    folders,
    json_option,
    report_option,
    save_result_option,
    sheet_option,
    strict_option,
)


@click.command(cls=Command)
@click.option(
    "--adapter",
    metavar="NAME",
    shell_complete=adapters,
    help="The adapter on the audio LAN. Without it, the likeliest is taken.",
)
@click.option("--for", "lasts", type=Duration(), help="How long. Without it, until Ctrl-C.")
@click.option(
    "--keep",
    metavar="DIR",
    shell_complete=folders,
    default="preflight-watch",
    show_default=True,
    help="Where the frames around each alarm go, as pcapng.",
)
@click.option(
    "--keep-limit", type=Size(), default="1GB", show_default=True, help="Fill DIR no further than this."
)
@click.option(
    "--keep-each-hour",
    type=click.IntRange(0, 3600),
    default=20,
    show_default=True,
    help="Files an hour, at most.",
)
@sheet_option
@json_option
@report_option
@save_result_option
@strict_option
def command(
    adapter: str | None,
    lasts: float | None,
    keep: str,
    keep_limit: int,
    keep_each_hour: int,
    sheet: str | None,
    json_to: str | None,
    report_to: str | None,
    result_to: str | None,
    strict: bool,
) -> int:
    """Stand by during the show: listen, and say at once when something goes wrong.

    A storm, a loop, a stray DHCP server, a lost clock, a link that fails, a gap in a stream, a new
    device: each is told when it begins, with the frames around it kept in a file. It sends nothing.
    Ctrl-C ends it with a summary as of a line check.

    With --json, one event a line, and the result of it all as the last line.
    """
    from preflight import host
    from preflight.cli.adapters import choose
    from preflight.cli.output import Output
    from preflight.cli.sheet import load
    from preflight.cli.teller import JsonLines, teller, watch_rows
    from preflight.facts import told_link
    from preflight.frames.live import ListenRefused, open_listener
    from preflight.host.glance import glance
    from preflight.live.keeper import Keeper
    from preflight.live.standby import stand_by, stoppable
    from preflight.live.watch import Watch
    from preflight.report.result import as_json
    from preflight.verdict import judged

    planned = load(sheet) if sheet else None
    computer = host.read()
    chosen = choose(computer, adapter, planned)
    try:
        listener = open_listener(chosen, lasts or float("inf"), patient=True)
    except ListenRefused as refused:
        click.echo(f"preflight watch: {refused}", err=True)
        return 3
    keeper = Keeper(
        Path(keep), chosen, keep_limit, keep_each_hour, told_link(computer, chosen).get("link_mbps")
    )
    watch = Watch(chosen, computer, planned)
    hello = f"Listening on {chosen}. Ctrl-C ends it with a summary."
    with stoppable() as stopped, teller(json_to, hello) as told:
        for _, events in stand_by(listener, watch, stopped, lambda: glance(watch.host), keeper):
            for event in events:
                told.tell(event)
            told.status(watch.status, partial(watch_rows, listener.name, watch.status))
        listener.partial = stopped()
        result = judged(watch.whole(listener.facts()))
        if isinstance(told, JsonLines):
            told.line(as_json(result, None))
    output = Output(None, report_to=report_to, result_to=result_to)
    output.add(result, quiet=json_to == "-")
    output.close()
    return result.verdict.exit_status(strict)
