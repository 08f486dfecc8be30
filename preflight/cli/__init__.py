"""The command line. A command's module is loaded only when it is called, so that `--help` is there at once.

Every error is one line that says what, where and what to do, and ends with exit status 2.
"""

import errno
import importlib
import os
import shutil
import sys
import traceback
from collections.abc import Iterable

import click

from preflight import __version__
from preflight.text import clean

# Order and short help as users see them.
COMMANDS = {
    "linecheck": "Read this computer, listen, and say whether the audio LAN is ready.",
    "study": "Give the same verdict from saved captures.",
    "watch": "Stand by during the show, and say at once when something goes wrong.",
    "soak": "In the shop: hours on one item, and a signed-off record in a log.",
    "sheet": "Write a rig sheet, draft one from a good rig, or check one.",
    "budget": "Say from a rig sheet alone whether the plan holds.",
    "compare": "Say what differs between two saved results: spare computer, last show.",
    "between": "Hold two captures against each other: what was lost, late or crossed on the way.",
    "handover": "Make one zip to send when you ask for help, with names and addresses replaced.",
    "archive": "At a desk with thousands of captures: judge, keep and search them (an extra).",
    "adapters": "List the adapters, and which one looks like the audio LAN.",
    "why": "Tell what a check looks at, its limits, and how to fix what it finds.",
    "rehearse": "Play the bundled captures: no network needed, no root.",
    "completion": "Write what makes a shell complete commands, options and names.",
}
STOPPED = 130  # 128 + SIGINT, as shells count
PIPE_CLOSED = 141  # 128 + SIGPIPE


class Help(click.HelpFormatter):
    """Click's own begins at 50 columns, and leaves 10 of them to what an option does."""

    def __init__(
        self, indent_increment: int = 2, width: int | None = None, max_width: int | None = None
    ) -> None:
        columns = shutil.get_terminal_size().columns
        super().__init__(indent_increment, width or (columns - 2 if columns < 52 else None), max_width)

    def write_dl(self, rows: Iterable[tuple[str, str]], col_max: int = 30, col_spacing: int = 2) -> None:
        super().write_dl(rows, min(col_max, self.width // 2 - col_spacing), col_spacing)


click.Context.formatter_class = Help


class Preflight(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        return importlib.import_module(f"preflight.cli.{cmd_name}").command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list:
        """The commands, without loading them, and the options."""
        from click.shell_completion import CompletionItem

        named = [CompletionItem(n, help=short) for n, short in COMMANDS.items() if n.startswith(incomplete)]
        return named + click.Command.shell_complete(self, ctx, incomplete)

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple:
        if args and args[0] not in COMMANDS:
            ctx.fail(f"there is no command '{args[0]}'. The commands are: {', '.join(COMMANDS)}.")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> object:
        try:
            status = super().invoke(ctx)
            sys.stdout.flush()
        except OSError as error:
            if _reader_gone(error):  # as `head` does
                # What is left of the output goes into a pipe of our own at exit: an empty root has no
                # /dev/null.
                os.dup2(os.pipe()[1], sys.stdout.fileno())
                raise click.exceptions.Exit(PIPE_CLOSED) from None
            raise click.ClickException(f"{error.strerror or error}. Check where the output goes.") from None
        return status

    def main(self, args=None, prog_name=None, **extra) -> None:  # type: ignore[override]  # noqa: ARG002
        """Run and exit. Unlike Click's own, every error is one line."""
        for name in ("stdout", "stderr"):
            stream = getattr(sys, name)
            if stream is None:  # closed by whoever started us
                setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123
            elif hasattr(stream, "reconfigure"):
                # A file or a pipe is UTF-8 on every system. A terminal that lacks a character still gets the
                # rest.
                stream.reconfigure(encoding=None if stream.isatty() else "utf-8", errors="replace")
        if "_PREFLIGHT_COMPLETE" in os.environ:
            from preflight.cli.completion import answer_shells

            answer_shells()
        try:
            status = super().main(args, "preflight", standalone_mode=False, **extra)
        except click.ClickException as error:
            status = 2
            _complain(error)
        except click.Abort:
            status = _stopped()
        except Exception as error:
            # Python 3.11 wraps what comes while a class is made, as a module that is loaded only now does.
            if isinstance(error.__cause__, KeyboardInterrupt):
                sys.exit(_stopped())
            status = 2
            if sys.flags.dev_mode:
                traceback.print_exc()
            place = traceback.extract_tb(error.__traceback__)[-1]
            reason = clean(f"{type(error).__name__}: {error}", 200)
            where = f"{os.path.basename(place.filename)}:{place.lineno}"  # noqa: PTH119
            click.echo(
                f"preflight: a fault of preflight itself: {reason} at {where}. Please report it.", err=True
            )
        sys.exit(status or 0)


def _reader_gone(error: OSError) -> bool:
    """Windows says of a pipe without a reader that the argument is invalid; of a file it says so with the
    file's name."""
    return isinstance(error, BrokenPipeError) or (
        sys.platform == "win32" and error.errno == errno.EINVAL and error.filename is None
    )


def _stopped() -> int:
    click.echo("preflight: stopped by hand.", err=True)
    return STOPPED


def _complain(error: click.ClickException) -> None:
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "preflight"
    for line in getattr(error, "lines", ()):  # several mistakes of one file
        click.echo(f"{path}: {clean(line, 1000)}", err=True)
    if hasattr(error, "lines"):
        return
    text = clean(" ".join(error.format_message().split()), 1000)
    if isinstance(error, click.UsageError):
        text = f"{text if text.endswith(('.', '?')) else text + '.'} Try: {path} --help"
    click.echo(f"{path}: {text}", err=True)


def _version(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    """What a supporter asks first: which code runs, and what lies where."""
    if not wanted or ctx.resilient_parsing:
        return
    from preflight import bundled
    from preflight.frames import compile as engines

    known = bundled.commit()
    click.echo(f"preflight {__version__}" + (f", commit {known[:12]}" if known else ", commit not known"))
    at, there = engines.kept()
    state = "" if there else " (not there yet: the first large capture makes them)"
    click.echo(f"compiled kernels: {f'{at}{state}' if at else 'kept nowhere, as this user has no home'}")
    click.echo(f"documents: {bundled.folder('docs') or 'missing'}")
    ctx.exit()


@click.command(
    cls=Preflight, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_version,
    help="Show the version and exit.",
)
@click.pass_context
def main(ctx: click.Context) -> None:
    """Is the audio LAN ready for the show, and if not, what to fix first?

    preflight only reads and listens: it never sends a frame.

    Exit status: 0 ready, 1 not ready, 2 wrong usage or unreadable input, 3 unproven.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
