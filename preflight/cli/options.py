"""Options and argument types that several commands share."""

import re
from collections.abc import Callable, Iterable

import click


class Command(click.Command):
    """A command whose `--json` may stand alone. The word after it is its file only if it ends in .json or
    .jsonl (or is joined by "="): `study --json show.pcap` must never write over a capture."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        end = args.index("--") if "--" in args else len(args)
        told = list(args)
        for at in range(end - 1, -1, -1):
            if args[at] == "--json":
                follower = args[at + 1] if at + 1 < end else ""
                if follower.endswith((".json", ".jsonl")):
                    told[at : at + 2] = [f"--json={follower}"]
                else:
                    told[at] = "--json=-"
        return super().parse_args(ctx, told)


# -- what a shell may complete -------------------------------------------------------------------------------


def files(_ctx: click.Context, _param: click.Parameter, incomplete: str) -> list:
    from click.shell_completion import CompletionItem

    return [CompletionItem(incomplete, type="file")]


def folders(_ctx: click.Context, _param: click.Parameter, incomplete: str) -> list:
    from click.shell_completion import CompletionItem

    return [CompletionItem(incomplete, type="dir")]


def adapters(_ctx: click.Context, _param: click.Parameter, incomplete: str) -> list:
    import psutil

    return sorted(name for name in psutil.net_if_addrs() if name.startswith(incomplete))


def named(known: Iterable[tuple[str, str]], incomplete: str) -> list:
    """Of names, each with a word of help, those that begin so."""
    from click.shell_completion import CompletionItem

    return [CompletionItem(name, help=help_) for name, help_ in known if name.startswith(incomplete)]


# -- options -------------------------------------------------------------------------------------------------


def json_option(function: Callable) -> Callable:
    return click.option(
        "--json",
        "json_to",
        metavar="[FILE]",
        shell_complete=files,
        help="Write JSON to FILE (a name in .json, or --json=FILE), without FILE to standard output alone.",
    )(function)


def ending(*suffixes: str) -> Callable[[click.Context, click.Parameter, str | None], str | None]:
    """The callback of an option whose file must end so: `--report show.pcap` must never write over a
    capture."""

    def checked(_ctx: click.Context, _param: click.Parameter, name: str | None) -> str | None:
        if name is not None and not name.lower().endswith(suffixes):
            raise click.BadParameter(f"'{name}' does not end in {suffixes[0]}.")
        return name

    return checked


def report_option(function: Callable) -> Callable:
    return click.option(
        "--report",
        "report_to",
        metavar="FILE.html",
        shell_complete=files,
        callback=ending(".html", ".htm"),
        help="Write a page to look at, print and send: one file, with time line and devices.",
    )(function)


def one_page_option(function: Callable) -> Callable:
    return click.option(
        "--one-page",
        "one_page_to",
        metavar="FILE.html",
        callback=ending(".html", ".htm"),
        help="Write one sheet to send: verdict, fixes, one picture.",
    )(function)


def save_result_option(function: Callable) -> Callable:
    return click.option(
        "--save-result",
        "result_to",
        metavar="FILE.json",
        shell_complete=files,
        callback=ending(".json"),
        help="Keep the result, for `preflight compare`.",
    )(function)


def evidence_option(function: Callable) -> Callable:
    return click.option(
        "--evidence",
        "evidence_to",
        metavar="DIR",
        type=click.Path(file_okay=False),
        help="Write for each finding a small pcapng with the frames that prove it into DIR.",
    )(function)


def strict_option(function: Callable) -> Callable:
    return click.option("--strict", is_flag=True, help="Exit with 1 on cautions and unproven too.")(function)


def full_option(function: Callable) -> Callable:
    return click.option("--full", is_flag=True, help="Print everything, not the first screen alone.")(
        function
    )


def overwrite_option(function: Callable) -> Callable:
    return click.option("--overwrite", is_flag=True, help="Write over files that are there already.")(
        function
    )


def sheet_option(function: Callable) -> Callable:
    return click.option(
        "--sheet",
        metavar="FILE",
        shell_complete=files,
        help="Judge by this rig sheet, too: what should be there.",
    )(function)


UNITS_S = {"": 1.0, "s": 1.0, "ms": 0.001, "m": 60.0, "min": 60.0, "h": 3600.0}


class Duration(click.ParamType):
    """Seconds, written as 20, 20s, 500ms, 2m or 1h."""

    name = "duration"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        match = re.fullmatch(r"(\d{1,9}(?:\.\d{1,9})?)\s*([a-z]*)", str(value).strip().lower(), re.ASCII)
        unit = UNITS_S.get(match[2]) if match else None
        seconds = float(match[1]) * unit if match and unit else 0.0
        if not seconds > 0:
            self.fail(f"'{value}' is no duration. Write 20s, 500ms or 2m.", param, ctx)
        return seconds


UNITS_BYTES = {"kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12}


class Size(click.ParamType):
    """Bytes, written as 500MB or 2 GB."""

    name = "size"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        match = re.fullmatch(r"(\d{1,9}(?:\.\d{1,9})?)\s*([kmgt]b)", str(value).strip().lower(), re.ASCII)
        size = int(float(match[1]) * UNITS_BYTES[match[2]]) if match else 0
        if size < 1000:
            self.fail(f"'{value}' is no size. Write 500MB or 2GB.", param, ctx)
        return size


def status_of(statuses: list[int]) -> int:
    """The worst exit status of several results: unreadable, not ready, unproven, ready."""
    return next((status for status in (2, 1, 3) if status in statuses), 0)
