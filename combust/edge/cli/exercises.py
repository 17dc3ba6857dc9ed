"""``combust exercises``: an exercise sheet with random numbers and its key, and the misconception cards."""

from __future__ import annotations

import click

from combust.application.lessons.exercises import exercise_sheet
from combust.domain.result import text_of_rows
from combust.edge.cli.answer import Answer, answers
from combust.edge.reports.lessons import card_page, exercise_pages


@answers("exercises", strict="", json=" with questions and answers")
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), metavar="N", help="Whole number of a sheet [the standard].")
@click.option("--fuel", default="diesel_b7", show_default=True, metavar="FUEL", help="Fuel of the exercises.")
@click.option("--cards", is_flag=True, help="Write the page of misconception cards too.")
@click.option("--out", default="output/exercises", show_default=True, metavar="DIR", help="Folder for the pages.")
def command(seed: int | None, fuel: str, cards: bool, out: str) -> Answer:
    """Write an exercise sheet with random numbers, and its key.

    Use it to give every class its own numbers. The sheet shows no answer; the key has them worked out.
    Both print on A4.

    \b
    Example:
      combust exercises --seed 7 --out output/exercises

    \b
    Next: combust mystery --help   (a heater with a hidden cause)
    """
    name = "standard" if seed is None else str(seed)
    files = {"sheet": f"{out}/exercises_{name}.html", "key": f"{out}/exercises_{name}_key.html"}
    files |= {"cards": f"{out}/misconception_cards.html"} if cards else {}
    texts = [*exercise_pages(seed, fuel=fuel), *([card_page()] if cards else [])]
    written = dict(zip(files.values(), texts, strict=True))
    rows = [
        {"number": one.number, "kind": one.kind, "question": one.question, **one.key()}
        for one in exercise_sheet(seed, fuel=fuel)
    ]
    facts = {"seed": seed, "exercises": rows, "files": files}
    return Answer(facts, text_of_rows(files.items()), in_full=True, files=written)
