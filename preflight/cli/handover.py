"""`preflight handover`: one zip to send when asking for help."""

import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from preflight.cli.options import Duration, Size, adapters, files, sheet_option
from preflight.text import clean

if TYPE_CHECKING:
    from preflight.facts import Facts
    from preflight.frames.pcapng import Saver
    from preflight.handover import Part


def _zip(_ctx: click.Context, _param: click.Parameter, name: str) -> str:
    """`--output show.pcap` must never write over a capture."""
    if not name.lower().endswith(".zip"):
        raise click.BadParameter(f"'{name}' does not end in .zip.")
    return name


@click.command()
@click.argument("captures", nargs=-1, metavar="[CAPTURE]...", shell_complete=files)
@click.option(
    "--output",
    metavar="FILE.zip",
    shell_complete=files,
    default="handover.zip",
    show_default=True,
    callback=_zip,
    help="The zip to write.",
)
@click.option(
    "--anonymise/--no-anonymise",
    default=True,
    show_default=True,
    help="Replace addresses, names and contents, or leave them as they are.",
)
@sheet_option
@click.option("--note", metavar="TEXT", help="What you want to tell: what happened, and when.")
@click.option(
    "--adapter", metavar="NAME", shell_complete=adapters, help="Without a CAPTURE: the adapter to listen on."
)
@click.option(
    "--listen", type=Duration(), default="20s", show_default=True, help="Without a CAPTURE: how long."
)
@click.option(
    "--capture-limit",
    type=Size(),
    default="100MB",
    show_default=True,
    help="Put no more than this of a capture in. All of it is judged.",
)
@click.option(
    "--who",
    "asked",
    metavar="ADDRESS",
    help="Say what an address or a name in a zip from this computer stands for. Nothing else is done.",
)
@click.option("--yes", is_flag=True, help="Ask nothing: put in what you would be asked about.")
def command(
    captures: tuple[str, ...],
    output: str,
    anonymise: bool,
    sheet: str | None,
    note: str | None,
    adapter: str | None,
    listen: float,
    capture_limit: int,
    asked: str | None,
    yes: bool,
) -> int:
    """Make one zip to send when you ask for help.

    It holds the report, the result as JSON, the frames that prove each finding, the captures, what
    this computer says of itself, and versions. Addresses, names and contents are replaced, so that the
    verdict stays the same. You send it: preflight sends nothing.

    CAPTURE is a saved capture. Without one, it listens first, as linecheck does.

    What stands for what is kept on this computer alone, with the paths of the captures: when the
    support desk names a device, --who says which one it is.
    """
    if asked is not None:
        if captures or adapter:
            raise click.UsageError("--who asks about zips that were made. Give it alone.")
        return _who(asked)
    if "-" in captures:
        raise click.UsageError("a capture is read twice. Give a FILE that is no pipe.")
    if captures and adapter:
        raise click.UsageError("--adapter is for listening. Give it without a CAPTURE.")
    from dataclasses import replace

    from preflight import handover, host
    from preflight.anonymise.kept import keep
    from preflight.anonymise.key import kept_key
    from preflight.cli.progress import ProgressBar
    from preflight.cli.sheet import load
    from preflight.facts import Facts
    from preflight.frames.errors import CaptureError

    planned = load(sheet) if sheet else None
    files, left_out = _agreed(anonymise, sheet, note, yes)
    place = Path(output)
    work: Path | None = None

    def folder() -> Path:
        nonlocal work
        try:
            work = work or Path(tempfile.mkdtemp(prefix=".handover-", dir=place.parent))
        except OSError as error:
            raise click.ClickException(
                f"{output}: cannot be written: {error.strerror}. Give another --output."
            ) from None
        return work

    try:
        computer = host.read()
        about = Facts(sheet=planned)
        named = captures
        if not captures:
            captures, about = _listened(computer, adapter, listen, folder, about)
        originals: list[handover.Original] = []
        for file in captures:
            with ProgressBar("Reading") as progress:
                originals.append(handover.read(file, about, progress))
            source = originals[-1].result.facts.source
            if source is not None and source.partial:
                raise click.Abort
        key, kept = kept_key()
        cover = handover.cover_for(originals, key) if anonymise else None
        parts = []
        for number, original in enumerate(originals or [None]):
            with ProgressBar("Anonymising" if anonymise else "Writing") as progress:
                parts.append(
                    handover.part(original, about, cover, folder() / str(number), capture_limit, progress)
                )
        shown = handover.covered(Facts(host=computer), cover).host if cover else computer
        extra = handover.Extra(shown, files, tuple(left_out), anonymise, kept)
        entries = handover.members(parts, extra)
        handover.write(entries, folder() / "whole.zip")
        sizes = {
            name: len(each) if isinstance(each, bytes) else each.stat().st_size
            for name, each in entries.items()
        }
        (folder() / "whole.zip").replace(place)
        if cover is not None:
            computer_too = replace(about, host=computer)
            if not keep(handover.kept_of(originals, computer_too, cover, place, named)):
                click.echo(
                    "preflight handover: what stands for what could not be kept on this computer, so --who "
                    "will not know this zip.",
                    err=True,
                )
    except CaptureError as error:
        raise click.ClickException(clean(str(error), 1000)) from None
    except OSError as error:
        raise click.ClickException(
            f"{output}: cannot be written: {error.strerror}. Give another --output."
        ) from None
    finally:
        if work is not None:
            shutil.rmtree(work, ignore_errors=True)
    _tell(place, sizes, parts, left_out, anonymise)
    return 0


def _who(asked: str) -> int:
    from preflight.anonymise.kept import who
    from preflight.report.page import Page, console

    told = who(asked)
    if not told:
        raise click.ClickException(
            f"no zip that was made on this computer has {clean(asked)}. Write it as the report does, and "
            "ask on the computer that made the zip."
        )
    page = Page(console())
    said: set[str] = set()
    for real, kept in told:
        if real not in said:  # newer zips come first, and mostly say the same
            device = kept.devices.get(real)
            page.line(f"{clean(asked)} is {real}{f' ({device})' if device else ''}", style="bold")
            page.line(f"in {kept.zip}, made {kept.made}", indent=2)
            for capture in kept.captures:
                page.line(f"Look it up in {capture}: its frames have the same numbers.", indent=2)
        said.add(real)
    return 0


def _agreed(
    anonymise: bool, sheet: str | None, note: str | None, yes: bool
) -> tuple[dict[str, bytes], list[str]]:
    """What goes in as it is, once the user agreed, and what was left out, in words. Where nobody can be
    asked, it is left out."""
    files: dict[str, bytes] = {}
    left_out: list[str] = []
    if not anonymise and not yes:
        if not sys.stdin.isatty():
            raise click.UsageError("--no-anonymise has to be agreed to, and nobody can be asked. Add --yes.")
        click.confirm(
            "Nothing will be anonymised: the zip will hold the addresses and names of all devices, this "
            "computer's too, and what they sent to each other, with the audio. Go on?",
            abort=True,
        )
    if note is not None:
        if yes or _asked("The note goes in as you wrote it: does it name nobody who must not be named?"):
            files["note.txt"] = "\n".join(clean(line, 2000) for line in note.splitlines()).encode() + b"\n"
        else:
            left_out.append("the sender's note")
    if sheet is not None:
        if yes or _asked(
            "The rig sheet's names and addresses cannot be replaced in the file. Put it in as it is?"
        ):
            files["rig.toml"] = Path(sheet).read_bytes()
        else:
            left_out.append("the rig sheet itself; it was judged by")
    return files, left_out


def _asked(question: str) -> bool:
    return sys.stdin.isatty() and click.confirm(question)


def _listened(
    computer, adapter: str | None, seconds: float, folder, about: "Facts"
) -> tuple[tuple[str, ...], "Facts"]:
    """Listen, as linecheck does: the capture, and what is known beside it."""
    from dataclasses import replace

    from preflight import host
    from preflight.cli.adapters import choose
    from preflight.cli.progress import ProgressBar
    from preflight.live.linecheck import linecheck

    chosen = choose(computer, adapter)
    heard: list[Path] = []

    def open_saver() -> "Saver":
        from preflight.frames.pcapng import Saver

        heard.append(folder() / "heard.pcapng")
        return Saver(str(heard[0]), "", 1 << 30)

    with ProgressBar(f"Listening on {chosen}", timed=True) as progress:
        facts = linecheck(computer, chosen, seconds, host.read, progress, open_saver)
    if facts.wire_refused:
        click.echo(
            f"preflight handover: {facts.wire_refused} The zip will be of this computer only.", err=True
        )
    about = replace(facts, source=None, tally=None, wire={}, sheet=about.sheet)
    return tuple(map(str, heard)), about


def _tell(
    place: Path, sizes: dict[str, int], parts: "list[Part]", left_out: list[str], anonymise: bool
) -> None:
    from preflight.report.page import STYLES, Page, console
    from preflight.verdict import brief

    page = Page(console())
    for number, each in enumerate(parts, 1):
        lead = f"{number}: " if len(parts) > 1 else ""
        page.line(lead + brief(each.result), style=STYLES[each.result.verdict.verdict])
        for name, (was, now) in each.differs.items():
            page.line(f"Differs from the original: {name} is {was} there, {now} in the zip.", indent=2)
    page.gap()
    page.line(f"{place} ({_size(place.stat().st_size)}) holds:")
    for name, size in sizes.items():
        page.line(name, lead=f"{_size(size):>9}  ", indent=2)
    page.gap()
    for words in left_out:
        page.line(f"Left out: {words}.")
    page.line(
        "Addresses, names and contents are replaced; times stay. Look through it, then send it."
        if anonymise
        else "NOTHING is anonymised. Send it only to whom you trust."
    )


def _size(count: int) -> str:
    return (
        f"{count} B" if count < 1000 else f"{count / 1e3:.0f} kB" if count < 1e6 else f"{count / 1e6:.1f} MB"
    )
