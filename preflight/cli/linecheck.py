"""`preflight linecheck`: this computer and what it hears."""

from dataclasses import replace

import click

from preflight.cli.options import (
    Command,
    Duration,
    json_option,
    report_option,
    sheet_option,
    strict_option,
)


@click.command(cls=Command)
@click.option(
    "--adapter", metavar="NAME", help="The adapter on the audio LAN. Without it, the likeliest is taken."
)
@click.option("--listen", type=Duration(), default="20s", show_default=True, help="How long to listen.")
@sheet_option
@json_option
@report_option
@strict_option
def command(
    adapter: str | None,
    listen: float,
    sheet: str | None,
    json_to: str | None,
    report_to: str | None,
    strict: bool,
) -> int:
    """Say whether this computer and its audio LAN are ready for the show.

    It reads this computer's settings and listens. It sends nothing. Ctrl-C ends the listening
    and judges what was heard.
    """
    from preflight import host
    from preflight.cli.adapters import choose
    from preflight.cli.output import Output
    from preflight.cli.progress import ProgressBar
    from preflight.cli.sheet import load
    from preflight.linecheck import linecheck
    from preflight.report.result import judged

    planned = load(sheet) if sheet else None
    chosen = choose(host.read(), adapter)
    with ProgressBar(f"Listening on {chosen}", timed=True) as progress:
        facts = linecheck(chosen, listen, host.read, progress)
    result = judged(replace(facts, sheet=planned))
    output = Output(json_to, report_to=report_to)
    output.add(result)
    output.close()
    return result.verdict.exit_status(strict)
