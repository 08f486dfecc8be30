"""`preflight watch`: stand by for a whole show, and tell what changes."""

import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.cli.alert import parted
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

if TYPE_CHECKING:
    from preflight.live.diary import Diary
    from preflight.live.standby import Stopped

# Stopped before it listens: nothing could be judged.
EARLY = (3, "preflight watch: stopped before it listened; nothing was judged.")


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
@click.option(
    "--on-alarm",
    metavar="COMMAND",
    callback=parted,
    help="Start a command of your own on each new alarm. No shell; the words are in PREFLIGHT_HEADLINE.",
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
    on_alarm: tuple[str, ...],
    sheet: str | None,
    json_to: str | None,
    report_to: str | None,
    result_to: str | None,
    strict: bool,
) -> int:
    """Stand by during the show: listen, and say at once when something goes wrong.

    A storm, a loop, a stray DHCP server, a lost clock, a link that fails, a gap in a stream, a new
    device: each is told when it begins, with the one step that may be taken during the show, and the
    frames around it are kept in a file. It sends nothing. Ctrl-C ends it with a summary as of a line
    check and a table of what happened.

    With --json, one event a line, and the result of it all as the last line.
    """
    from preflight.live.standby import stoppable

    with stoppable(EARLY) as stopped:
        return _watch(
            stopped,
            adapter,
            lasts,
            (keep, keep_limit, keep_each_hour),
            on_alarm,
            sheet,
            (json_to, report_to, result_to),
            strict,
        )


def _watch(
    stopped: "Stopped",
    adapter: str | None,
    lasts: float | None,
    keep: tuple[str, int, int],
    on_alarm: tuple[str, ...],
    sheet: str | None,
    outputs: tuple[str | None, str | None, str | None],
    strict: bool,
) -> int:
    from preflight import host
    from preflight.cli.adapters import choose
    from preflight.cli.output import Output
    from preflight.cli.sheet import load
    from preflight.cli.teller import JsonLines, Manner, teller, watch_rows
    from preflight.facts import told_link
    from preflight.frames.live import ListenRefused, open_listener
    from preflight.host.glance import glance
    from preflight.live.diary import Diary
    from preflight.live.keeper import Keeper
    from preflight.live.standby import stand_by
    from preflight.live.watch import Watch
    from preflight.report.result import as_json
    from preflight.verdict import judged

    json_to, report_to, result_to = outputs
    folder, keep_limit, each_hour = keep
    planned = load(sheet) if sheet else None
    computer = host.read()
    chosen = choose(computer, adapter, planned)
    try:
        listener = open_listener(chosen, lasts or float("inf"), patient=True)
    except ListenRefused as refused:
        click.echo(f"preflight watch: {refused}", err=True)
        return 3
    began_ns = time.time_ns() - listener.now_ns()
    mbps = told_link(computer, chosen).get("link_mbps")
    keeper = Keeper(Path(folder), chosen, keep_limit, each_hour, mbps)
    watch = Watch(chosen, computer, planned, began_ns)
    diary, until_ns = Diary(), 0
    hello = f"Listening on {chosen}. Ctrl-C ends it with a summary."
    stopped.listens()
    with teller(json_to, Manner(hello, began_ns, command=on_alarm)) as told:
        for now_ns, events in stand_by(listener, watch, stopped, lambda: glance(watch.host), keeper):
            until_ns = now_ns
            for event in events:
                diary.tell(event)
                told.tell(event)
            told.status(watch.status, partial(watch_rows, listener.name, watch.status))
        listener.partial = stopped()
        result = judged(watch.whole(listener.facts()))
        if isinstance(told, JsonLines):
            told.line(as_json(result, None))
    diary.close(watch.status.alarms)
    output = Output(None, report_to=report_to, result_to=result_to)
    output.add(result, quiet=json_to == "-")
    if json_to != "-":
        _table(diary, began_ns, until_ns)  # last: it is what was watched for, and stays in sight
    output.close()
    return result.verdict.exit_status(strict)


def _table(diary: "Diary", began_ns: int, until_ns: int) -> None:
    from preflight.report.board import closing
    from preflight.report.page import console

    screen = console()
    screen.print()
    for row in closing(diary, began_ns, until_ns, screen.width):
        screen.print(row, soft_wrap=True)
