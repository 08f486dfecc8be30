"""`preflight study FILE...`: the verdict from saved captures."""

import sys
from dataclasses import replace
from pathlib import Path

import click

from preflight.cli.options import (
    Command,
    evidence_option,
    files,
    full_option,
    json_option,
    overwrite_option,
    report_option,
    save_result_option,
    sheet_option,
    status_of,
    strict_option,
)
from preflight.text import clean


@click.command(cls=Command)
@click.argument("files", nargs=-1, required=True, metavar="FILE...", shell_complete=files)
@sheet_option
@json_option
@report_option
@evidence_option
@save_result_option
@overwrite_option
@full_option
@strict_option
def command(
    files: tuple[str, ...],
    sheet: str | None,
    json_to: str | None,
    report_to: str | None,
    evidence_to: str | None,
    result_to: str | None,
    overwrite: bool,
    full: bool,
    strict: bool,
) -> int:
    """Say from saved captures whether the audio LAN was ready.

    FILE is a pcap or pcapng capture, plain or packed by gzip or zstd; - reads standard input. Each
    gets a verdict of its own, and one that cannot be read does not stop the others. Ctrl-C ends the
    reading and judges what was read.

    It shows what matters on one screen; --full prints everything.

    With several files, --json writes one JSON object a line, in their order. --report, --save-result
    and --evidence take one file.
    """
    if report_to and len(files) > 1:
        raise click.UsageError("--report makes the page of one capture. Give one FILE.")
    if result_to and len(files) > 1:
        raise click.UsageError("--save-result keeps the result of one capture. Give one FILE.")
    if evidence_to and (len(files) > 1 or files[0] == "-"):
        raise click.UsageError("--evidence reads a capture twice. Give one FILE that is no pipe.")
    if json_to and json_to != "-" and any(same_file(json_to, file) for file in files):
        raise click.UsageError(f"--json would write over the capture {json_to}. Give it another file.")
    from preflight.cli.output import Output, refuse_to_overwrite, write_evidence_of
    from preflight.cli.progress import ProgressBar
    from preflight.cli.sheet import load
    from preflight.frames.errors import CaptureError
    from preflight.study import study
    from preflight.verdict import judged

    refuse_to_overwrite(overwrite, json_to, report_to, result_to, evidence_to)
    planned = load(sheet) if sheet else None
    output = Output(json_to, many=len(files) > 1, report_to=report_to, result_to=result_to, full=full)
    statuses = []
    for file in files:
        try:
            with ProgressBar("standard input" if file == "-" else Path(file).name) as progress:
                facts = study(file, progress)
        except CaptureError as error:
            sys.stdout.flush()
            click.echo(f"preflight study: {clean(str(error), 1000)}", err=True)
            statuses.append(2)
            continue
        result = judged(replace(facts, sheet=planned))
        output.add(result)
        if evidence_to:
            write_evidence_of(file, result, evidence_to)
        statuses.append(result.verdict.exit_status(strict))
        if facts.source is not None and facts.source.partial:
            break  # Ctrl-C: the user has seen enough
    output.close()
    return status_of(statuses)


def same_file(one: str, other: str) -> bool:
    try:
        return Path(one).samefile(other)
    except (OSError, ValueError):
        return False
