"""``combust word``: explain a word, a key, a finding, a cause or a check."""

from __future__ import annotations

import click

from combust import __version__
from combust.application.words import entries, look_up
from combust.edge.cli import output


@click.command("word", short_help="Explain a word, a key, a finding or a check.")
@click.argument("word", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(word: str | None, as_json: bool) -> None:
    """Explain a word, a key, a finding or a check.

    Use it when a line on the screen or in a table is not plain. Without WORD it lists them all. No network is needed.

    \b
    Examples:
      combust word lambda
      combust word pair_impossible
      combust word port_pressures

    \b
    Next: combust reading --help   (type a reading)
    """
    if word is None:
        rows = [(entry.word, entry.kind) for entry in entries()]
        if as_json:
            output.say_json({"words": [entry.to_dict() for entry in entries()], "version": __version__})
            return
        for kind in dict.fromkeys(kind for _, kind in rows):
            click.echo(f"{kind}: {', '.join(name for name, each in rows if each == kind)}\n")
        return
    found = look_up(word)
    if as_json:
        output.say_json({"words": [entry.to_dict() for entry in found], "version": __version__})
        return
    for entry in found:
        output.say_lines([(entry.word, entry.kind), *((f"  {label}", text) for label, text in entry.lines)])
