"""`preflight completion SHELL`: the lines by which a shell completes commands, options and names.

The lines have the shell ask this program, with `_PREFLIGHT_COMPLETE` in its environment, at each press of the
Tab key. Click answers, and has the lines of three shells; they are changed only to ask the program that was
typed, wherever it lies, and not the one on the search path. PowerShell's are here.
"""

import os

import click
from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    ShellComplete,
    ZshComplete,
    add_completion_class,
)

VARIABLE = "_PREFLIGHT_COMPLETE"


class Zsh(ZshComplete):
    source_template = ZshComplete.source_template.replace(
        "    (( ! $+commands[%(prog_name)s] )) && return 1\n", ""
    ).replace("zsh_complete %(prog_name)s)", "zsh_complete ${(Q)~words[1]})")


class Fish(FishComplete):
    source_template = FishComplete.source_template.replace(
        "(commandline -t) %(prog_name)s);", "(commandline -t) (commandline -opc)[1]);"
    )


class PowerShell(ShellComplete):
    """The words before the cursor come one a line. Where the answer is a file, none is given: then PowerShell
    itself completes files."""

    name = "powershell"
    source_template = r"""
Register-ArgumentCompleter -Native -CommandName '%(prog_name)s', '%(prog_name)s.exe' -ScriptBlock {
    param($word, $line, $at)
    $words = @($line.CommandElements | Where-Object { $_.Extent.StartOffset -lt $at } | ForEach-Object { $_.Extent.Text })
    $env:COMP_WORDS = $words -join "`n"
    $env:COMP_WORD = $word
    $env:%(complete_var)s = 'powershell_complete'
    try {
        & $words[0].Trim("'", '"') | Where-Object { $_ } | ForEach-Object {
            $value, $help = $_ -split "`t", 2
            $typed = if ($value -match '[^\w.:/\\-]') { "'" + $value.Replace("'", "''") + "'" } else { $value }
            [System.Management.Automation.CompletionResult]::new($typed, $value, 'ParameterValue', $help)
        }
    } finally { Remove-Item Env:COMP_WORDS, Env:COMP_WORD, Env:%(complete_var)s }
}
"""

    def get_completion_args(self) -> tuple[list[str], str]:
        words, incomplete = os.environ["COMP_WORDS"].split("\n")[1:], os.environ["COMP_WORD"]
        return (words[:-1] if incomplete and words else words), incomplete

    def format_completion(self, item: CompletionItem) -> str:
        return f"{item.value}\t{item.help or item.value}"

    def complete(self) -> str:
        found = self.get_completions(*self.get_completion_args())
        return "\n".join(self.format_completion(item) for item in found if item.type == "plain")


SHELLS = {"bash": BashComplete, "zsh": Zsh, "fish": Fish, "powershell": PowerShell}


def answer_shells() -> None:
    """Let Click know the shells that it does not have, or has otherwise."""
    for one in (Zsh, Fish, PowerShell):
        add_completion_class(one)


@click.command()
@click.argument("shell", type=click.Choice(list(SHELLS)))
def command(shell: str) -> None:
    """Write what makes SHELL complete commands, options, adapters, checks and bundled captures.

    \b
    bash, in ~/.bashrc:
      eval "$(preflight completion bash)"
    zsh, in ~/.zshrc:
      eval "$(preflight completion zsh)"
    fish, in its config.fish:
      preflight completion fish | source
    PowerShell, in its $PROFILE:
      preflight completion powershell |
        Out-String | Invoke-Expression
    """
    from preflight.cli import main

    complete = SHELLS[shell](main, {}, "preflight", VARIABLE)
    # Click's own would start bash to ask its version.
    click.echo(ShellComplete.source(complete))
