"""`preflight archive`: many captures judged, kept and searched."""

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from preflight.cli.options import Command, Duration, ending, files, json_option
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.archive.columns import Rows
    from preflight.archive.library import Library

NEEDED = ("dask", "distributed", "duckdb", "fsspec", "pyarrow")
TELL_S = 10.0  # between lines of progress where nobody watches a terminal
SMALL = 200_000  # bytes: what a capture costs beside its own
TRIES = 5
Answer = TypeVar("Answer")


def archive_option(function: Callable) -> Callable:
    return click.option(
        "--archive",
        "place",
        metavar="PLACE",
        help="The archive: a folder or object storage (s3://...). Without it, the one in your user data "
        "folder.",
    )(function)


@click.group()
def command() -> None:
    """At a desk with thousands of captures: has this been seen before?

    Needs more packages than the rest, and says how to install them. Nothing leaves this computer, unless you
    name a place or a cluster elsewhere.
    """


@command.command()
@click.argument("places", nargs=-1, metavar="[PLACE]...", shell_complete=files)
@click.option(
    "--cluster",
    "address",
    metavar="ADDRESS",
    help="Judge on this Dask cluster instead of this computer's cores.",
)
@click.option(
    "--limit", type=Duration(), default="2m", show_default=True, help="How long one capture may take."
)
@archive_option
def add(places: tuple[str, ...], address: str | None, limit: float, place: str | None) -> int:
    """Judge every capture in each PLACE and keep what was found.

    PLACE is a capture, a zip or tar with captures in it, a folder with all of these that are in it, or object
    storage (s3://bucket/folder). What the archive knows already is left out. Without PLACE, all that it knows
    of is looked at again, by a newer preflight's changed checks. Ctrl-C, and worse, loses nothing that was
    done: run it again, and it goes on.
    """
    _need()
    from preflight.archive.add import Added, look
    from preflight.archive.add import add as add_all
    from preflight.archive.store import Store
    from preflight.archive.tidy import settle
    from preflight.archive.words import show_added
    from preflight.report.page import Page, console

    def run() -> int:
        store = Store(place or _default())
        looked = look(store, places, limit)
        for trouble in looked.troubles:
            click.echo(f"preflight archive add: {trouble}", err=True)
        begun = time.monotonic()
        added = Added()
        if looked.wanted:
            from preflight.archive.cluster import cluster

            with cluster(address) as client, _Tell(looked.wanted) as tell:
                added = add_all(store, looked, client, limit, tell)
        settle(store)
        for trouble in added.troubles:
            click.echo(f"preflight archive add: {trouble}", err=True)
        total = _asked(place, lambda library: library.ask("select count(*) n from captures")[0]["n"])
        show_added(looked, added, time.monotonic() - begun, total, store.place, Page(console()))
        return 2 if looked.troubles or added.troubles or added.unreadable else 0

    return _told(run)


@command.command(cls=Command)
@click.argument("words", nargs=-1)
@click.option(
    "--check", metavar="CHECK", help="That this check found something; with --outcome, that it said that."
)
@click.option(
    "--outcome",
    type=click.Choice(["fail", "caution", "unproven", "pass", "unreadable"]),
    help="What a check said.",
)
@click.option("--maker", metavar="TEXT", help="That a device of this maker was heard.")
@click.option(
    "--device",
    metavar="TEXT",
    help="That this device was heard: (a part of) its name, an address, or the beginning of one.",
)
@click.option(
    "--since", type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M"]), help="Taken then or later (UTC)."
)
@click.option("--until", type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M"]), help="Taken before then (UTC).")
@click.option(
    "--csv", "csv_to", metavar="FILE.csv", callback=ending(".csv"), help="Write all to a spreadsheet."
)
@json_option
@archive_option
def find(
    words: tuple[str, ...], csv_to: str | None, json_to: str | None, place: str | None, **wanted: Any
) -> int:
    """Find cases, the newest first: all, or those that fulfil everything asked for.

    WORDS may stand anywhere in what was found, in names, addresses, places and notes.
    """
    _need()
    from preflight.archive.find import Wanted
    from preflight.archive.find import find as find_cases
    from preflight.archive.words import as_csv, as_rows, show_cases

    cases = _told(lambda: _asked(place, lambda library: find_cases(library, Wanted(words=words, **wanted))))
    if csv_to:
        from preflight.cli.output import write

        write(csv_to, as_csv(cases), "--csv")
    _put(json_to, lambda: {"cases": as_rows(cases)}, lambda page: show_cases(cases, page))
    return 0


@command.command(cls=Command)
@click.argument("capture", shell_complete=files)
@click.option("--most", type=click.IntRange(1, 100), default=5, show_default=True, help="How many to show.")
@json_option
@archive_option
def like(capture: str, most: int, json_to: str | None, place: str | None) -> int:
    """Show the cases most like CAPTURE, why they are, and what mended them.

    CAPTURE is a file, which need not be in the archive and is not added, or the number of a case.
    """
    _need()
    from preflight.archive.like import like as likest
    from preflight.archive.words import show_like

    judged = _judged(capture) if Path(capture).is_file() else None

    def ask(library: "Library") -> list[dict[str, Any]]:
        if judged is None:
            return likest(library, most, library.case(capture))
        return likest(library, most, *judged)

    cases = _told(lambda: _asked(place, ask))
    shown = [{**row, "first_frame_at": str(row["first_frame_at"] or "") or None} for row in cases]
    _put(json_to, lambda: {"like": shown}, lambda page: show_like(cases, page))
    return 0


@command.command(cls=Command)
@click.argument("case")
@json_option
@archive_option
def show(case: str, json_to: str | None, place: str | None) -> int:
    """Show all that the archive has of CASE: the beginning of its number, or the capture's name."""
    _need()
    from preflight.archive.find import case as case_of
    from preflight.archive.words import show_case

    told = _told(lambda: _asked(place, lambda library: case_of(library, library.case(case))))
    _put(json_to, lambda: told, lambda page: show_case(told, page))
    return 0


@command.command()
@click.argument("case")
@click.argument("text")
@click.option("--who", metavar="NAME", help="Who says so. Without it, your login name.")
@archive_option
def note(case: str, text: str, who: str | None, place: str | None) -> int:
    """Write to CASE what it was in the end, for whoever meets it next.

    Notes are added, never changed: write another one where the first was wrong.
    """
    _need()
    if not text.strip():
        raise click.UsageError("the note is empty")
    from preflight.archive.library import short
    from preflight.archive.store import Store
    from preflight.cli.soak import login

    capture = _told(lambda: _asked(place, lambda library: library.case(case)))
    row = {
        "capture": capture,
        "at_ns": time.time_ns(),
        "who": clean(who.strip(), 120) if who else login(),
        "text": clean(" ".join(text.split()), 1000),
    }
    _told(lambda: Store(place or _default()).add({"notes": [row]}))
    click.echo(f"Noted to case {short(capture)}.")
    return 0


@command.command()
@click.argument("file", callback=ending(".html", ".htm"), shell_complete=files)
@archive_option
def page(file: str, place: str | None) -> int:
    """Write FILE.html: faults over time, by check and by maker, with the cases. It opens anywhere and asks
    nothing of any network."""
    _need()
    from preflight.archive.page import as_html
    from preflight.cli.output import write

    write(
        file,
        _told(lambda: _asked(place, lambda library: as_html(library, clean(place or _default(), 200)))),
        "FILE",
    )
    click.echo(f"Wrote {clean(file)}.")
    return 0


def _need() -> None:
    """One line that says what to install, where the extra is missing."""
    import importlib.util

    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise click.ClickException(f"the archive needs {', '.join(missing)}: {_how_to_install()}")


def _how_to_install() -> str:
    """The packages themselves, into this environment: by our own name, the public index would give another
    project. Whoever has no pip here installs preflight again."""
    import importlib.util
    from importlib.metadata import PackageNotFoundError, requires

    try:
        extra = [line.partition(";") for line in requires("preflight") or ()]
    except PackageNotFoundError:
        extra = []
    wanted = [
        f'"{need}"' for need, _, when in extra if when.replace("'", '"').strip() == 'extra == "archive"'
    ]
    if not wanted or importlib.util.find_spec("pip") is None:
        return "see docs/archive.md (where: preflight --version)"
    return f'"{sys.executable}" -m pip install {" ".join(wanted)}'


def _default() -> str:
    from preflight.live.log import default_path

    return str(default_path().with_name("archive"))


def _told(run: Callable[[], Answer]) -> Answer:
    """What `run` gives; each error of an archive is one line for the user."""
    from preflight.archive import ArchiveError

    try:
        return run()
    except ArchiveError as error:
        raise click.ClickException(f"{error}.") from None


def _asked(place: str | None, ask: "Callable[[Library], Answer]") -> Answer:
    """An answer of the archive. Asked again where somebody merges what is being read."""
    from preflight.archive.library import Library, Vanished
    from preflight.archive.store import Store

    store = Store(place or _default())
    for left in reversed(range(TRIES)):
        try:
            with Library(store) as library:
                return ask(library)
        except Vanished:
            if not left:
                raise
    raise AssertionError


def _judged(capture: str) -> "tuple[str, Rows]":
    """The SHA-256 of a file, and the rows of its judging."""
    from preflight.archive import ArchiveError, rows
    from preflight.archive.place import digest
    from preflight.cli.progress import ProgressBar
    from preflight.frames.errors import CaptureError
    from preflight.study import study
    from preflight.verdict import judged

    try:
        with ProgressBar(Path(capture).name) as progress:
            facts = study(capture, progress)
        sha = digest(capture)
    except (CaptureError, ArchiveError) as error:
        raise click.ClickException(str(error)) from None
    return sha, rows.with_findings(rows.of_facts(sha, capture, 0, 0.0, facts), judged(facts).verdict)


def _put(json_to: str | None, told: Callable[[], dict[str, Any]], show: Callable) -> None:
    from preflight.report.page import Page, console

    if json_to:
        from preflight.archive.columns import SCHEMA
        from preflight.cli.output import write
        from preflight.text import to_json

        text = to_json({"schema": SCHEMA, **told()})
        if json_to == "-":
            click.echo(text)
            return
        write(json_to, text + "\n", "--json")
    show(Page(console()))


class _Tell:
    """Progress: a bar on a terminal, a line now and then elsewhere, on standard error both."""

    def __init__(self, wanted: Sequence[Any]) -> None:
        self._total = len(wanted)
        self._weight = sum(found.bytes + SMALL for found in wanted)
        self._done = self._bytes = 0
        self._begun = self._told = time.monotonic()
        self._status: Any = None

    def __enter__(self) -> "_Tell":
        import sys

        if sys.stderr.isatty():
            from preflight.report.page import console

            self._status = console(stderr=True).status("Starting")
            self._status.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._status is not None:
            self._status.stop()

    def __call__(self, captures: int, size: int) -> None:
        from preflight.archive.words import progress

        self._done, self._bytes = self._done + captures, self._bytes + size
        now = time.monotonic()
        text = progress(
            self._done, self._total, now - self._begun, (self._bytes + SMALL * self._done) / self._weight
        )
        if self._status is not None:
            self._status.update(text)
        elif now - self._told > TELL_S:
            self._told = now
            click.echo(text, err=True)
