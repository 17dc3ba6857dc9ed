"""``combust completion``: the lines that let a shell finish commands, options and names."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

SHELLS = ("bash", "zsh", "fish")
WHERE = {"bash": "~/.bashrc", "zsh": "~/.zshrc", "fish": "~/.config/fish/completions/combust.fish"}


@click.command("completion", short_help="Let the TAB key finish commands, options and names.")
@click.argument("shell", type=click.Choice(SHELLS))
def command(shell: str) -> None:
    """Let the TAB key finish commands, options and names.

    Use it once: add the lines it prints to the start file of your shell, open a new terminal, type "combust re" and
    press TAB. It finishes fuels, checks, heat stages, places and file names too, and needs no network.

    \b
    Examples:
      combust completion bash >> ~/.bashrc
      combust completion zsh >> ~/.zshrc
      combust completion fish > ~/.config/fish/completions/combust.fish

    \b
    Next: combust --help           (the map of all commands)
    """
    found = get_completion_class(shell)
    if found is None:
        raise click.UsageError(f"{shell} is not known here.")
    from combust.edge.cli.main import cli

    click.echo(found(cli, {}, "combust", "_COMBUST_COMPLETE").source())
    click.echo(f"Add these lines to {WHERE[shell]} and open a new terminal.", err=True)
