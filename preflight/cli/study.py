"""`preflight study FILE...`: the verdict from saved captures, one in full, many on one screen."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from preflight.cli.options import (
    Command,
    ending,
    evidence_option,
    files,
    full_option,
    json_option,
    one_page_option,
    overwrite_option,
    save_result_option,
    sheet_option,
    status_of,
    strict_option,
)
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.inbox.find import Inbox
    from preflight.inbox.judge import Done, Task
    from preflight.report.many import Row

Result = TypeVar("Result")
INDEX = "index.html"
STOPPED = 130  # 128 + SIGINT, as shells count


def _page_or_folder(_ctx: click.Context, _param: click.Parameter, name: str | None) -> str | None:
    """`--report show.pcap` must never write over a capture."""
    if name is not None and not name.lower().endswith((".html", ".htm")) and Path(name).is_file():
        raise click.BadParameter(f"'{name}' does not end in .html, and is no folder.")
    return name


@click.command(cls=Command)
@click.argument("files", nargs=-1, required=True, metavar="FILE...", shell_complete=files)
@sheet_option
@click.option("--join", "joined", is_flag=True, help="Judge files that follow one another as one capture.")
@json_option
@click.option(
    "--csv", "csv_to", metavar="FILE.csv", callback=ending(".csv"), help="Write a table for spreadsheets."
)
@click.option(
    "--report",
    "report_to",
    metavar="FILE.html|DIR",
    callback=_page_or_folder,
    help="Write a page to look at, print and send; into DIR one for each capture, with an index.",
)
@one_page_option
@evidence_option
@save_result_option
@overwrite_option
@full_option
@strict_option
def command(
    files: tuple[str, ...],
    sheet: str | None,
    joined: bool,
    json_to: str | None,
    csv_to: str | None,
    report_to: str | None,
    one_page_to: str | None,
    evidence_to: str | None,
    result_to: str | None,
    overwrite: bool,
    full: bool,
    strict: bool,
) -> int:
    """Say from saved captures whether the audio LAN was ready.

    FILE is a pcap or pcapng capture, plain or packed by gzip, bzip2, xz or zstd; or a folder, a zip or a tar
    with captures in it; - reads standard input. Several captures get a row each, in
    their order, and one that cannot be read does not stop the others. Ctrl-C ends the reading and
    judges what was read.

    It shows what matters of one capture on one screen; --full prints everything.

    With several captures, --json writes one JSON object a line, in their order. --full, --one-page,
    --save-result and --evidence take one capture.
    """
    from preflight.cli.output import refuse_to_overwrite
    from preflight.cli.sheet import load
    from preflight.inbox.find import Inbox
    from preflight.inbox.judge import Task

    planned = load(sheet) if sheet else None
    with Inbox() as inbox:
        items = list(inbox.find(files))
        for option, target in (("--json", json_to), ("--csv", csv_to)):
            if target and target != "-" and any(same_file(target, item.place) for item in items):
                raise click.UsageError(
                    f"{option} would write over the capture {target}. Give it another file."
                )
        is_page = bool(report_to) and str(report_to).lower().endswith((".html", ".htm"))
        page_to = str(Path(report_to) / INDEX) if report_to and not is_page else report_to
        refuse_to_overwrite(overwrite, json_to, csv_to, page_to, one_page_to, result_to, evidence_to)
        tasks = [Task(item.name, (item.place,) if item.place else (), item.why, planned) for item in items]
        notes: list[str] = []
        if joined:
            tasks, notes = _joined(tasks)
        if len(tasks) != 1 or csv_to or (report_to and not is_page):
            _only_one(len(tasks), is_page, one_page_to, evidence_to, result_to, full)
            return _many(tasks, inbox, json_to, csv_to, report_to, strict, notes)
        if evidence_to and any(map(_is_pipe, tasks[0].places)):
            raise click.UsageError("--evidence reads a capture twice. Give one FILE that is no pipe.")
        return _one(tasks[0], json_to, report_to, one_page_to, evidence_to, result_to, full, strict)


def _only_one(
    count: int,
    is_page: bool,
    one_page_to: str | None,
    evidence_to: str | None,
    result_to: str | None,
    full: bool,
) -> None:
    """What takes one capture alone is not given with several, or with a table of one."""
    if is_page:
        raise click.UsageError(
            "--report FILE.html makes the page of one capture. Give one FILE, or --report DIR."
        )
    if one_page_to:
        raise click.UsageError("--one-page is of one capture. Give one FILE.")
    if full:
        raise click.UsageError("--full prints everything of one capture. Give one FILE.")
    if result_to:
        raise click.UsageError("--save-result keeps the result of one capture. Give one FILE.")
    if evidence_to:
        words = "Give one FILE that is no pipe." if count > 1 else "Leave --csv and --report DIR out."
        raise click.UsageError(f"--evidence cuts from one capture. {words}")


def _one(
    task: "Task",
    json_to: str | None,
    report_to: str | None,
    one_page_to: str | None,
    evidence_to: str | None,
    result_to: str | None,
    full: bool,
    strict: bool,
) -> int:
    """One capture."""
    from preflight.cli.output import Output, write_evidence_of
    from preflight.cli.progress import ProgressBar
    from preflight.frames.errors import CaptureError
    from preflight.inbox.judge import result_of

    output = Output(json_to, report_to=report_to, one_page_to=one_page_to, result_to=result_to, full=full)
    try:
        with ProgressBar(Path(task.name).name) as progress:
            result = result_of(task, progress)
        if report_to:
            from preflight.report.html.closeup import with_milliseconds

            with ProgressBar("Milliseconds") as progress:
                result = with_milliseconds(task.places, result, progress)
    except CaptureError as error:
        output.refused(task.name, str(error))
        output.close()
        return 2
    output.add(result)
    if evidence_to:
        write_evidence_of(task.places, result, evidence_to)
    output.close()
    return result.verdict.exit_status(strict)


def _many(
    tasks: "list[Task]",
    inbox: "Inbox",
    json_to: str | None,
    csv_to: str | None,
    report_to: str | None,
    strict: bool,
    notes: list[str],
) -> int:
    """Several captures, a row each."""
    from preflight.checks.say import counted
    from preflight.cli.output import write
    from preflight.inbox.judge import died, judge
    from preflight.report.html.index import as_index, page_name
    from preflight.report.many import as_csv, show
    from preflight.report.page import console

    tasks = [replace(task, page=bool(report_to)) for task in tasks]
    pages: list[str] = []

    def take(each: "Done") -> "Done":
        """Put a result out as soon as it is there: thousands of pages need no room then."""
        page = page_name(len(pages) + 1, each.row.name) if each.page else ""
        pages.append(page)
        if report_to and page:
            write(str(Path(report_to) / page), each.page, "--report")
        if json_to == "-":
            click.echo(each.json)
            if each.row.why:
                click.echo(f"preflight study: {clean(each.row.why, 1000)}", err=True)
        return replace(each, page="", json="" if json_to in (None, "-") else each.json)

    if report_to:
        _make_folder(report_to)
    done, stopped = _in_processes(
        tasks, judge, died, f"{len(tasks)} captures", take, stops=lambda each: each.row.partial
    )
    rows = [each.row for each in done]
    left = len(tasks) - len(done)
    if inbox.passed_over:
        passed = counted(inbox.passed_over, "other file")
        notes.append(f"Passed over: {passed}; no capture, or an excerpt of one.")
    if offer := _pieces(rows):
        notes.append(offer)
    if stopped and left:
        notes.append(f"Stopped by hand: {left} of {len(tasks)} captures were not judged.")
    if json_to and json_to != "-":
        write(json_to, "".join(each.json + "\n" for each in done), "--json")
    if csv_to:
        write(csv_to, as_csv(rows), "--csv")
    if report_to:
        write(str(Path(report_to) / INDEX), as_index(rows, pages, notes), "--report")
    files = {"--json": json_to, "--csv": csv_to, "--report": report_to}
    named = [f"{clean(file, 500)} ({option})" for option, file in files.items() if file and file != "-"]
    if named:
        click.echo(f"Written: {', '.join(named)}.", err=True)
    if json_to != "-":
        show(rows, console(), notes)
    if stopped and left:
        return STOPPED
    return status_of([each.strict_status if strict else each.status for each in done])


def _in_processes(
    tasks: "Sequence[Task]",
    work: "Callable[[Task], Result]",
    died: "Callable[[Task, str], Result]",
    what: str,
    take: "Callable[[Result], Result]" = lambda each: each,
    stops: "Callable[[Result], bool]" = lambda _: False,
) -> "tuple[list[Result], bool]":
    """What `work` makes of each task, in their order, and whether it was stopped before all were done."""
    from preflight.cli.progress import ProgressBar
    from preflight.frames import compile as kernels
    from preflight.frames.batch import PLAIN_BYTES
    from preflight.inbox.pool import Pool

    pool = Pool(work, died, stops)
    with ProgressBar(what, timed=True) as progress:
        if not kernels.ready() and sum(map(_size, tasks)) > PLAIN_BYTES:
            # Once, before each process does it for itself.
            kernels.compiled(lambda note: progress(0, None, 0, note))
        results = pool.results(tasks, _stays_here, lambda count: progress(count, len(tasks), 0, ""))
        return [take(each) for each in results], pool.stopped


def _size(task: "Task") -> int:
    """How many bytes there are to read, as far as it is known before."""
    sizes = (
        Path(each).stat().st_size if isinstance(each, str) else each.size
        for each in task.places
        if each != "-"
    )
    try:
        return sum(sizes)
    except (OSError, ValueError):
        return 0


def _stays_here(task: "Task") -> bool:
    """Standard input is this process's own; a refusal needs no other."""
    return bool(task.why) or task.places == ("-",)


def _joined(tasks: "list[Task]") -> "tuple[list[Task], list[str]]":
    """Tasks for the captures that the files of `tasks` make up, and what there is to say of it."""
    from preflight.inbox.join import Span, chains
    from preflight.inbox.judge import span

    if any(_is_pipe(place) for task in tasks for place in task.places):
        raise click.UsageError("--join reads captures twice. Give FILEs that are no pipes.")
    spans, stopped = _in_processes(
        tasks, span, lambda task, why: Span(task.name, why=why), "Looking at the times"
    )
    if stopped:
        raise click.Abort
    found, notes = [], []
    for chain in chains(spans):
        first = tasks[chain[0]]
        if len(chain) == 1:
            found.append(replace(first, why=first.why or spans[chain[0]].why))
            if not found[-1].why and len(tasks) > 1:
                notes.append(f"{first.name} follows none of the others, nor they it: it is judged by itself.")
        else:
            name = f"{first.name} and {len(chain) - 1} more"
            found.append(replace(first, name=name, places=tuple(tasks[place].places[0] for place in chain)))
    return found, notes


def _pieces(rows: "list[Row]") -> str:
    """That some look like one capture in pieces; "" where none do."""
    from preflight.inbox.join import chains

    found = [chain for chain in chains(rows, sure=True) if len(chain) > 1]
    if not found:
        return ""
    longest = max(found, key=len)
    ends = f"{rows[longest[0]].name} to {rows[longest[-1]].name}"
    return f"{len(longest)} captures follow one another, {ends}, as a ring buffer writes them. To judge them as one: --join."


def _make_folder(folder: str) -> None:
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.ClickException(
            f"{folder}: cannot be written: {error.strerror}. Give another folder to --report."
        ) from None


def _is_pipe(place: object) -> bool:
    return place == "-" or (isinstance(place, str) and Path(place).is_fifo())


def same_file(one: str, other: object) -> bool:
    from preflight.frames.archive import Member

    try:
        return Path(one).samefile(other.file if isinstance(other, Member) else str(other))
    except (OSError, ValueError):
        return False
