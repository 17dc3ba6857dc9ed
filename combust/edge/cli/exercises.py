"""``combust exercises``: an exercise sheet with random numbers and its key, and the misconception cards."""

from __future__ import annotations

from pathlib import Path

import click

from combust.domain.result import text_of_rows
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers


@answers("exercises", strict="", json=" with questions and answers")
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), metavar="N",
              help="Whole number; the same one gives the same sheet. Without it: the standard numbers.")  # fmt: skip
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
    from combust.application.lessons.exercises import exercise_sheet
    from combust.edge.reports.lessons import card_page, exercise_pages

    sheet, key = exercise_pages(seed, fuel=fuel)
    name, target = "standard" if seed is None else str(seed), Path(out)
    paths = {"sheet": target / f"exercises_{name}.html", "key": target / f"exercises_{name}_key.html"}
    output.write_text(paths["sheet"], sheet)
    output.write_text(paths["key"], key)
    if cards:
        paths["cards"] = target / "misconception_cards.html"
        output.write_text(paths["cards"], card_page())
    rows = [
        {"number": one.number, "kind": one.kind, "question": one.question, **one.key()}
        for one in exercise_sheet(seed, fuel=fuel)
    ]
    files = {key: str(path) for key, path in paths.items()}
    return Answer({"seed": seed, "exercises": rows, "files": files}, text_of_rows(files.items()), in_full=True)
