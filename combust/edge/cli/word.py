"""``combust word``: explain a word, a key, a finding, a cause or a check."""

from __future__ import annotations

import click

from combust.application.words import entries, look_up
from combust.data.told import text_of_rows
from combust.edge.cli.answer import Answer, answers


@answers("word", strict="")
@click.argument("word", required=False)
def command(word: str | None) -> Answer:
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
    found = entries() if word is None else look_up(word)
    if word is None:
        kinds = dict.fromkeys(entry.kind for entry in found)
        named = {kind: ", ".join(entry.word for entry in found if entry.kind == kind) for kind in kinds}
        text = "".join(f"{kind}: {words}\n\n" for kind, words in named.items())[:-1]
    else:
        rows = [[(one.word, one.kind), *((f"  {label}", text) for label, text in one.lines)] for one in found]
        text = "\n".join(text_of_rows(each) for each in rows)
    return Answer({"words": [entry.to_dict() for entry in found]}, text)
