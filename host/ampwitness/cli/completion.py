"""`ampwitness completion`: the script that lets a shell complete commands and options."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from ampwitness.cli import COMPLETE_VARIABLE, PROGRAM, cli

SHELLS = ("bash", "zsh", "fish")


@click.command(
    epilog="Example: ampwitness completion bash > ~/.local/share/bash-completion/completions/ampwitness, then open a "
    "new terminal. For zsh: ampwitness completion zsh >> ~/.zshrc. For fish: ampwitness completion fish > "
    "~/.config/fish/completions/ampwitness.fish"
)
@click.argument("shell", type=click.Choice(SHELLS), metavar="SHELL")
def completion(shell: str) -> None:
    """Print the script that completes commands and options at the tabulator key. SHELL is bash, zsh or fish."""
    found = get_completion_class(shell)
    assert found is not None
    click.echo(found(cli, {}, PROGRAM, COMPLETE_VARIABLE).source())
