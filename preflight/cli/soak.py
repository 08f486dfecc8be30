"""`preflight soak`: hours on one item, and the log of all soaks."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from preflight.cli.options import (
    Command,
    Duration,
    adapters,
    files,
    json_option,
    report_option,
    strict_option,
)
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.frames.live import Listener
    from preflight.live.log import Log, Logged
    from preflight.live.session import Session
    from preflight.live.standby import Silence
    from preflight.soak.facts import SoakFacts
    from preflight.verdict import Result

PROGRESS_S = 600.0
NS = 1_000_000_000


def log_option(function: Any) -> Any:
    return click.option(
        "--log",
        "log_file",
        metavar="FILE",
        shell_complete=files,
        help="The log to use. Without it, the one in your user data folder.",
    )(function)


def _text(_ctx: click.Context, _param: click.Parameter, text: str | None) -> str | None:
    if text is not None and not text.strip():
        raise click.BadParameter("it is empty.")
    return None if text is None else clean(text.strip(), 120)


@click.group()
def command() -> None:
    """In the shop: hours on one item, and a signed-off record in a log.

    An item is an adapter, a cable, a switch port, a box. `run` watches it: error counts, link losses, speed,
    streams and beats, temperature. It sends nothing. Ctrl-C stops it and keeps what was measured; `resume`
    goes on.
    """


@command.command(cls=Command)
@click.argument("item", callback=_text)
@click.option(
    "--adapter",
    metavar="NAME",
    shell_complete=adapters,
    help="The adapter that the item is on. Without it, the likeliest is taken.",
)
@click.option("--for", "lasts", type=Duration(), default="4h", show_default=True, help="How long to watch.")
@click.option("--serial", default="", metavar="TEXT", help="Its serial number, to tell it from others alike.")
@click.option("--who", metavar="NAME", help="Who signs for it. Without it, your login name.")
@log_option
@json_option
@report_option
@strict_option
def run(
    item: str,
    adapter: str | None,
    lasts: float,
    serial: str,
    who: str | None,
    log_file: str | None,
    json_to: str | None,
    report_to: str | None,
    strict: bool,
) -> int:
    """Soak ITEM: any name that you will know it by again.

    Play audio through it, or there is little to see. With --json, one event a line, and the result as the
    last line.
    """
    from preflight import host
    from preflight.cli.adapters import choose
    from preflight.live.log import Plan

    chosen = choose(host.read(), adapter)

    def begin(log: "Log", hardware: str, refused: str, at_ns: int) -> tuple[int, int]:
        signs = clean(who.strip(), 120) if who else login()
        plan = Plan(item, clean(serial.strip(), 120), signs, chosen, hardware, int(lasts * NS))
        return log.begin(plan, refused, at_ns)

    return _soak(chosen, log_file, begin, json_to, report_to, strict)


@command.command(cls=Command)
@click.argument("number", type=int, required=False)
@log_option
@json_option
@report_option
@strict_option
def resume(
    number: int | None, log_file: str | None, json_to: str | None, report_to: str | None, strict: bool
) -> int:
    """Go on with soak NUMBER, or with the last one that is not done.

    The time that was watched counts. The time in between does not.
    """
    from preflight import host
    from preflight.cli.adapters import choose

    with _opened(log_file) as log:
        if number is None:
            open_ones = [
                one.facts.number for one in log.all() if one.facts.state in ("stopped", "interrupted")
            ]
            if not open_ones:
                raise click.ClickException("no soak is left to resume. `preflight soak list` has them all.")
            number = open_ones[-1]
        soak = log.soak(number).facts
    chosen = choose(host.read(), soak.adapter)

    def begin(log: "Log", hardware: str, refused: str, at_ns: int) -> tuple[int, int]:
        run = log.resume(soak.number, hardware, refused, at_ns)
        if hardware != soak.hardware:
            click.echo(
                f"preflight soak resume: {clean(chosen)} is another adapter than before: "
                f"{hardware or 'no address'}, not {soak.hardware or 'no address'}.",
                err=True,
            )
        return soak.number, run

    return _soak(chosen, log_file, begin, json_to, report_to, strict)


@command.command("list", cls=Command)
@log_option
@json_option
def list_(log_file: str | None, json_to: str | None) -> int:
    """List all soaks of the log."""
    from preflight.report.page import Page, console
    from preflight.report.soak import show_list

    with _opened(log_file) as log:
        logged = log.all()
    if _json(logged, json_to):
        return 0
    if not logged:
        click.echo("No soak so far.")
    show_list(logged, Page(console()))
    return 0


@command.command(cls=Command)
@click.argument("number", type=int)
@log_option
@json_option
@report_option
@strict_option
def show(number: int, log_file: str | None, json_to: str | None, report_to: str | None, strict: bool) -> int:
    """Show soak NUMBER: verdict, figures, hour by hour, what happened."""
    with _opened(log_file) as log:
        result = _logged_result(log, number)
        _put(result, json_to, report_to)
    return result.verdict.exit_status(strict)


@command.command()
@click.argument("file", shell_complete=files)
@click.argument("numbers", type=int, nargs=-1)
@click.option("--samples", is_flag=True, help="To CSV, a row each few seconds of one soak.")
@log_option
def export(file: str, numbers: tuple[int, ...], samples: bool, log_file: str | None) -> int:
    """Write soaks to FILE: all of them, or those of NUMBERS.

    FILE.csv is for a spreadsheet, a row a soak. FILE.html has a sheet to print and sign for each soak.
    """
    from preflight.checks.say import counted
    from preflight.cli.output import write
    from preflight.report import soak as words

    kind = Path(file).suffix.lower()
    if kind not in (".csv", ".html", ".htm"):
        raise click.UsageError(f"{clean(file)} ends in neither .csv nor .html")
    if samples and (kind != ".csv" or len(numbers) != 1):
        raise click.UsageError("--samples writes one soak to a .csv file: give one number")
    with _opened(log_file) as log:
        chosen = list(dict.fromkeys(numbers)) or [one.facts.number for one in log.all()]
        if not chosen:
            raise click.ClickException("the log holds no soak so far.")
        if samples:
            log.soak(chosen[0])
            text = words.samples_csv(log.samples(chosen[0]))
        elif kind == ".csv":
            text = words.soaks_csv([log.soak(number) for number in chosen])
        else:
            from preflight.report.html.signoff import as_signoff

            text = as_signoff([_logged_result(log, number) for number in chosen])
    write(file, text, "FILE")
    click.echo(f"Wrote {counted(len(chosen), 'soak')} to {clean(file)}.")
    return 0


@command.command(cls=Command)
@click.argument("item", callback=_text)
@click.option("--serial", metavar="TEXT", help="Only the one with this serial number.")
@log_option
@json_option
def trend(item: str, serial: str | None, log_file: str | None, json_to: str | None) -> int:
    """Tell how ITEM did over all its soaks: what got worse, what got better."""
    from preflight.report.page import Page, console
    from preflight.report.soak import show_trend

    with _opened(log_file) as log:
        logged = log.all()
    found = [one for one in logged if one.facts.item.casefold() == item.casefold()]
    if not found:
        names = ", ".join(dict.fromkeys(one.facts.item for one in logged)) or "none"
        raise click.ClickException(
            f"there is no soak of '{item}' in the log. Items in it: {clean(names, 500)}."
        )
    serials = list(dict.fromkeys(one.facts.serial for one in found))
    if serial is None and len(serials) > 1:
        known = ", ".join(one or "none" for one in serials)
        raise click.UsageError(f"there are several of '{item}': give one with --serial ({clean(known, 500)})")
    if serial is not None:
        found = [one for one in found if one.facts.serial == clean(serial.strip(), 120)]
        if not found:
            raise click.ClickException(f"there is no soak of '{item}' with that serial number.")
    if not _json(found, json_to):
        show_trend(found, Page(console()))
    return 0


@contextmanager
def _opened(log_file: str | None, write: bool = False) -> "Iterator[Log]":
    """The log; each of its errors is one line for the user."""
    from preflight.live.log import Log, LogError, default_path

    try:
        with Log(Path(log_file) if log_file else default_path(), write) as log:
            yield log
    except LogError as error:
        raise click.ClickException(str(error)) from None


def login() -> str:
    import getpass
    import os

    try:
        return clean(os.environ.get("SUDO_USER") or getpass.getuser(), 120)
    except (OSError, KeyError, ImportError):
        return ""


def _source(adapter: str) -> tuple["Listener | Silence", str]:
    """What listens; where the system does not let us, why."""
    from preflight.frames.live import ListenRefused, open_listener
    from preflight.live.standby import Silence

    try:
        return open_listener(adapter, float("inf"), patient=True), ""
    except ListenRefused as refused:
        click.echo(
            f"preflight soak: {refused}. The computer's own counts are watched all the same.", err=True
        )
        return Silence(), str(refused)


def _soak(
    adapter: str,
    log_file: str | None,
    begin: Callable[["Log", str, str, int], tuple[int, int]],
    json_to: str | None,
    report_to: str | None,
    strict: bool,
) -> int:
    """One run. `begin` is told the adapter's address, why nothing is listened to, and the moment; it gives
    the numbers of soak and run in the log."""
    from preflight import host
    from preflight.cli.teller import JsonLines, Manner, teller
    from preflight.host.glance import glance
    from preflight.live.scribe import Scribe
    from preflight.live.session import Session
    from preflight.live.standby import Event, stand_by, stoppable
    from preflight.report.result import as_json

    source, refused = _source(adapter)
    with _opened(log_file, write=True) as log:
        computer, begun_ns = host.read(), time.time_ns()
        about = computer.adapter(adapter)
        number, run = begin(log, (about.hardware_address if about else None) or "", refused, begun_ns)
        soak = log.soak(number).facts
        session = Session(soak, log.runs(number)[:-1], computer, begun_ns, time.monotonic_ns(), refused)
        scribe = Scribe(log, number, run, session, source.facts)
        hello = f"Soaking {soak.label} on {adapter}: soak {number} in {log.path}. Ctrl-C stops it; it can be resumed."
        manner = Manner(hello, time.time_ns() - source.now_ns(), in_show=False)
        shown = time.monotonic()
        with stoppable() as stopped, teller(json_to, manner) as told:

            def is_over() -> bool:
                return stopped() or session.left_ns == 0

            try:
                for now, events in stand_by(source, session, is_over, lambda: glance(session.host)):
                    for event in events:
                        told.tell(event)
                    if time.monotonic() - shown > PROGRESS_S:
                        told.progress(Event(now, "note", _words(session.soak, session.left_ns)))
                        shown = time.monotonic()
                    told.status(session.status, partial(_rows, session, scribe.late_s))
                    scribe.tick()
            finally:
                result = scribe.close()
            if isinstance(told, JsonLines):
                told.line(as_json(result, None))
        _put(result, None, report_to, quiet=json_to == "-")
    return result.verdict.exit_status(strict)


def _rows(session: "Session", late_s: float) -> dict[str, str]:
    """What the display shows."""
    from preflight.checks.say import counted
    from preflight.cli.teller import lost, rates
    from preflight.report.soak import figures

    soak, status = session.soak, session.status
    measured = figures(soak.figures)
    left_s = session.left_ns / NS
    ends = time.strftime("%H:%M", time.localtime(time.time() + left_s))
    faults = soak.figures.downs or soak.figures.changes or soak.figures.broken or soak.figures.lost
    return {
        "item": f"{soak.label}, soak {soak.number} on {soak.adapter}",
        "time left": f"{_clock(left_s)} of {_clock(soak.planned_ns / NS)}, until {ends}",
        "so far": "faults, see below" if faults else "no fault",
        "link": f"{status.link}; {measured['link']}",
        "broken": measured["broken frames"],
        "heard": f"{counted(status.streams, 'stream')}, {measured['stream packets lost']} packets lost",
        "beats": f"{measured['beats missing']} missing",
        "rates": rates(status),
        "heat": measured["temperature"],
        "lost": lost(status),
        "saved": f"{late_s:.0f} s ago" if late_s else "",
    }


def _clock(seconds: float) -> str:
    whole = int(seconds + 0.999)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _words(soak: "SoakFacts", left_ns: int) -> str:
    """How it stands, in a line."""
    from preflight.report.soak import figures

    told = figures(soak.figures)
    said = [f"{name}: {told[name]}" for name in ("broken frames", "link", "stream packets lost")]
    return f"{_clock(left_ns / NS)} left. {'; '.join(said)}."


def _logged_result(log: "Log", number: int) -> "Result":
    """The result of a soak as it was written down."""
    from preflight.facts import Facts
    from preflight.live.soaked import soak_facts
    from preflight.verdict import Result, decide

    return Result(soak_facts(log.soak(number).facts, Facts()), decide(log.findings(number)))


def _put(result: "Result", json_to: str | None, report_to: str | None, quiet: bool = False) -> None:
    from preflight.cli.output import Output

    output = Output(json_to, report_to=report_to)
    output.add(result, quiet)
    output.close()


def _json(logged: "list[Logged]", json_to: str | None) -> bool:
    """Write what is listed; whether that was all that was asked for."""
    if not json_to:
        return False
    from preflight.cli.output import write
    from preflight.report.result import SCHEMA
    from preflight.report.soak import as_dict
    from preflight.text import to_json

    listed = {
        "schema": SCHEMA,
        "soaks": [{**as_dict(one.facts), "verdict": one.verdict, "headline": one.headline} for one in logged],
    }
    if json_to != "-":
        write(json_to, to_json(listed) + "\n", "--json")
        return False
    click.echo(to_json(listed))
    return True
