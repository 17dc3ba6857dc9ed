"""``combust exercises``: an exercise sheet with random numbers and its key, and the misconception cards."""

from __future__ import annotations

import click

from combust.application.lessons.exercises import exercise, exercise_sheet
from combust.data.errors import CombustError, Fault
from combust.data.told import text_of_rows
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import WrittenFolder
from combust.edge.reports.lessons import card_page, exercise_pages
from combust.edge.tables.cells import read_cell


@answers("exercises", strict="", json=" with questions and answers")
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), metavar="N", help="Whole number of a sheet [the standard].")
@click.option("--fuel", default="diesel_b7", show_default=True, metavar="FUEL", help="Fuel of the exercises.")
@click.option("--cards", is_flag=True, help="Write the page of misconception cards too.")
@click.option("--course", is_flag=True, help="Write a day's course too: plan, notes, handouts, test, key.")
@click.option("--check", "kind", metavar="KIND", help="Check answers to one exercise instead: NAME=VALUE of each.")
@click.option(
    "--out",
    default="output/exercises",
    show_default=True,
    type=WrittenFolder(),
    metavar="DIR",
    help="Folder for the pages.",
)
@click.argument("given", nargs=-1, metavar="[NAME=VALUE]...")
def command(
    seed: int | None, fuel: str, cards: bool, course: bool, kind: str | None, out: str, given: tuple[str, ...]
) -> Answer:
    """Write an exercise sheet with its key, a course pack, or check answers.

    Use it to give every class its own numbers. The sheet shows no answer; the key has them worked out.
    Both print on A4. With --check a wrong number is told by the misconception that it comes from; no key is shown.

    \b
    Example:
      combust exercises --seed 7 --out output/exercises
      combust exercises --seed 7 --check pump_delivery deviation_pct=-3.5 passes=yes

    \b
    Next: combust mystery --help   (a heater with a hidden cause)
    """
    if kind is not None or given:
        return _checked(kind, given, seed, fuel)
    name = "standard" if seed is None else str(seed)
    files = {"sheet": f"{out}/exercises_{name}.html", "key": f"{out}/exercises_{name}_key.html"}
    files |= {"cards": f"{out}/misconception_cards.html"} if cards else {}
    pack = _course(1 if seed is None else seed) if course else {}
    files |= {f"course_{part}": f"{out}/course_{part}.html" for part in pack}
    texts = [*exercise_pages(seed, fuel=fuel), *([card_page()] if cards else []), *pack.values()]
    written = dict(zip(files.values(), texts, strict=True))
    rows = [
        {"number": one.number, "kind": one.kind, "question": one.question, **one.key()}
        for one in exercise_sheet(seed, fuel=fuel)
    ]
    facts = {"seed": seed, "exercises": rows, "files": files}
    return Answer(facts, text_of_rows(files.items()), in_full=True, files=written)


def _course(seed: int) -> dict[str, str]:
    """Return the pages of a course; what they need is loaded only here."""
    from combust.edge.reports.course import course_pages

    return course_pages(seed)


def _checked(kind: str | None, given: tuple[str, ...], seed: int | None, fuel: str) -> Answer:
    """Return what is said of answers to one exercise.

    Raises
    ------
    CombustError
        No exercise named; a word that is no NAME=VALUE; something that was not asked, or no number.
    """
    if kind is None:
        hint = "Name it: combust exercises --check pump_delivery deviation_pct=11.5."
        raise CombustError(Fault("check", None, "missing", why="is not given: which exercise is answered?", hint=hint))
    one = exercise(kind, seed=seed, fuel=fuel)
    asked = {each.key: each for each in one.asked}
    mine: dict[str, object] = {}
    faults = []
    for word in given:
        name, mark, text = word.partition("=")
        cell = read_cell(text, "?")
        plain_word = name not in asked or asked[name].choice
        if not mark or not (plain_word or cell.number == cell.number):
            why = cell.why or "is no number" if mark else "is no NAME=VALUE"
            faults.append(Fault(name, text or word, "not_a_number", why=why, hint=f"Asked for: {', '.join(asked)}."))
        mine[name] = text if plain_word else cell.number
    if faults:
        raise CombustError(faults)
    marked = one.marked(**mine)
    rows = [("exercise", str(one)), *((each.label, each.said) for each in marked), ("caution", one.caution)]
    said = [{"label": each.label, "right": each.right, "said": each.said} for each in marked]
    return Answer(
        {"seed": seed, "kind": kind, "question": one.question, "checked": said}, text_of_rows(rows), in_full=True
    )
