"""`preflight linecheck`: this computer and what it hears."""

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from preflight.cli.options import (
    Command,
    Duration,
    Size,
    adapters,
    ending,
    evidence_option,
    files,
    full_option,
    json_option,
    one_page_option,
    overwrite_option,
    report_option,
    save_result_option,
    sheet_option,
    strict_option,
)
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.frames.pcapng import Saver


@click.command(cls=Command)
@click.argument("name", required=False, metavar="[NAME]", shell_complete=adapters)
@click.option(
    "--adapter",
    metavar="NAME",
    shell_complete=adapters,
    help="The adapter on the audio LAN. Without it, the likeliest is taken.",
)
@click.option("--listen", type=Duration(), default="20s", show_default=True, help="How long to listen.")
@click.option(
    "--save",
    "save_to",
    metavar="FILE.pcapng",
    shell_complete=files,
    callback=ending(".pcapng"),
    help="Keep what is heard, for any capture tool.",
)
@click.option(
    "--save-limit", type=Size(), default="1GB", show_default=True, help="Save no more than this; judge all."
)
@sheet_option
@json_option
@report_option
@one_page_option
@evidence_option
@save_result_option
@overwrite_option
@full_option
@strict_option
def command(
    name: str | None,
    adapter: str | None,
    listen: float,
    save_to: str | None,
    save_limit: int,
    sheet: str | None,
    json_to: str | None,
    report_to: str | None,
    one_page_to: str | None,
    result_to: str | None,
    evidence_to: str | None,
    overwrite: bool,
    full: bool,
    strict: bool,
) -> int:
    """Say whether this computer and its audio LAN are ready for the show.

    It reads this computer's settings and listens on the adapter NAME, or on the likeliest. It sends nothing.
    Ctrl-C ends the listening and judges what was heard.

    It shows what matters on one screen; --full prints everything.
    """
    if name is not None and adapter not in (None, name):
        raise click.UsageError(
            f"two adapters are named, '{clean(name)}' and '{clean(str(adapter))}'. Name one."
        )
    if evidence_to and not save_to:
        raise click.UsageError("--evidence is cut from what --save FILE.pcapng keeps. Give both.")
    from preflight import host
    from preflight.checks.say import counted
    from preflight.cli.adapters import choose_and_say
    from preflight.cli.output import Output, refuse_to_overwrite, write_evidence_of
    from preflight.cli.progress import ProgressBar
    from preflight.cli.sheet import load
    from preflight.live.linecheck import linecheck
    from preflight.report.page import beside
    from preflight.verdict import judged

    refuse_to_overwrite(overwrite, save_to, json_to, report_to, one_page_to, result_to, evidence_to)
    planned = load(sheet) if sheet else None
    computer = host.read()
    chosen, why = choose_and_say(computer, name or adapter, planned)
    click.echo("\n".join(beside(why)), err=True)
    savers: list[Saver] = []

    def open_saver() -> "Saver":
        from preflight.facts import told_link
        from preflight.frames.pcapng import Saver

        try:
            savers.append(
                Saver(str(save_to), chosen, save_limit, told_link(computer, chosen).get("link_mbps"))
            )
        except OSError as error:
            raise click.ClickException(
                f"{save_to}: cannot be written: {error.strerror}. Give another file to --save."
            ) from None
        return savers[0]

    with ProgressBar(f"Listening on {chosen}", timed=True) as progress:
        facts = linecheck(computer, chosen, listen, host.read, progress, open_saver if save_to else None)
    if savers and savers[0].ended:
        click.echo(
            f"preflight linecheck: {clean(str(save_to))} holds {savers[0].frames} frames and no more: "
            f"{savers[0].ended}. The rest was judged, and not saved.",
            err=True,
        )
    guessed = name is None and adapter is None
    result = judged(replace(facts, sheet=planned, adapter_guessed=guessed))
    if savers and report_to:
        from preflight.report.html.closeup import with_milliseconds

        result = with_milliseconds(str(save_to), result)
    output = Output(
        json_to,
        report_to=report_to,
        one_page_to=one_page_to,
        result_to=result_to,
        full=full,
        above=len(beside(why)),
    )
    output.add(result)
    if evidence_to and savers:
        write_evidence_of(str(save_to), result, evidence_to)
    output.close()
    if savers:
        click.echo(f"Saved: {clean(str(save_to), 500)}, {counted(savers[0].frames, 'frame')}.", err=True)
    return result.verdict.exit_status(strict)
