"""`preflight between A B`: what was lost, late or crossed between two places."""

import click

from preflight.cli.options import Command, Duration, files, json_option, report_option, strict_option
from preflight.text import clean


@click.command(cls=Command)
@click.argument("files", nargs=-1, required=True, metavar="A [B]", shell_complete=files)
@click.option(
    "--pair", is_flag=True, help="A and B are two networks that carry the same streams (a redundant pair)."
)
@click.option(
    "--interfaces",
    metavar="N,M",
    help="Of one pcapng file: which two of its interfaces, counted from 1. Without, the first two that "
    "heard anything.",
)
@click.option("--one-clock", is_flag=True, help="One computer captured both: their times are of one clock.")
@click.option(
    "--buffer",
    "buffer_s",
    type=Duration(),
    metavar="TIME",
    help="What the receivers' buffers even out, as 5ms. Without: 1ms between places, 10ms between networks.",
)
@json_option
@report_option
@strict_option
def command(
    files: tuple[str, ...],
    pair: bool,
    interfaces: str | None,
    one_clock: bool,
    buffer_s: float | None,
    json_to: str | None,
    report_to: str | None,
    strict: bool,
) -> int:
    """Hold two captures against each other: what was lost, late or crossed between the two places.

    A and B are captures (pcap or pcapng, plain or packed) taken at the same time at two places, A nearer to
    the senders. One pcapng file with two interfaces will do. Their clocks, lengths, snap lengths and VLAN
    tags may differ.

    With --pair they are of the two networks of a redundant pair: is every stream in both, does each cover the
    other, do the two touch?
    """
    from preflight.cli.output import Output
    from preflight.cli.progress import ProgressBar
    from preflight.cli.study import same_file
    from preflight.facts import Facts
    from preflight.frames.errors import CaptureError
    from preflight.verdict import judged

    if len(files) > 2:
        raise click.UsageError("two captures are held against each other. Give A and B.")
    if interfaces and len(files) > 1:
        raise click.UsageError("--interfaces is for one file that has both. Give one FILE.")
    if "-" in files:
        raise click.UsageError("both captures are read twice. Give files, no pipe.")
    if json_to and json_to != "-" and any(same_file(json_to, file) for file in files):
        raise click.UsageError(f"--json would write over the capture {json_to}. Give it another file.")
    from preflight.between.run import between
    from preflight.checks.between.between_delay import CHECK as DELAY
    from preflight.checks.between.pair_skew import CHECK as SKEW

    usual_ms = SKEW.values({})["skew_ms"] if pair else DELAY.values({})["late_ms"]
    late_ns = round(buffer_s * 1e9) if buffer_s else round(usual_ms * 1e6)
    try:
        with ProgressBar("Two captures") as progress:
            a, b = _two(files, interfaces)
            told = between(a, b, pair, one_clock, late_ns, progress)
    except CaptureError as error:
        raise click.ClickException(clean(str(error), 1000)) from None
    result = judged(Facts(between=told))
    output = Output(json_to, report_to=report_to)
    output.add(result)
    output.close()
    return result.verdict.exit_status(strict)


def _two(files: tuple[str, ...], interfaces: str | None) -> list[tuple[str, int | None]]:
    """Both captures: a file, and of one with several interfaces the one that is meant."""
    if len(files) == 2:
        return [(file, None) for file in files]
    from preflight.between.run import interfaces_of

    there = interfaces_of(files[0])
    if interfaces is None:
        wanted = there[:2]
    else:
        try:
            wanted = [int(number) - 1 for number in interfaces.split(",")]
        except ValueError:
            wanted = []
    if len(set(wanted)) != 2 or not set(wanted) <= set(there):
        heard = ", ".join(str(number + 1) for number in there)
        raise click.UsageError(
            f"{clean(files[0])} has frames of interface {heard or 'none'}. Give two captures, or two of its "
            "interfaces."
        )
    return [(files[0], number) for number in wanted]
