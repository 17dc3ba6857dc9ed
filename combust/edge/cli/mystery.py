"""``combust mystery``: deal a teaching case, play it, score it, print a class sheet."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from combust.application.mystery import Dealer, Play, Statement
from combust.application.mystery import score as score_of
from combust.application.mystery.rules import LEVELS, price_rows, table, told_columns
from combust.data.errors import CombustError, Fault
from combust.data.fields import as_number
from combust.data.tables import is_nested_deeply, read_text
from combust.domain.limits import cautions
from combust.domain.result import plain, text_of_rows
from combust.edge import interrupt
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.group import NearGroup
from combust.edge.cli.options import pairs_of
from combust.edge.reports.class_sheets import class_pages, results_csv

SALT_VARIABLE = "COMBUST_MYSTERY_SALT"
LARGEST_FILE = 1_000_000
COSTS = ("min", "money", "risk")
PRICES = (
    {"can be done now": "name", "heater": "heater"} | {cost: f"{cost}:g" for cost in COSTS} | {"what is done": "text"}
)
SALT_HELP = f"Text file with the instructor's salt; else {SALT_VARIABLE} is read, else it is asked for."
salt_option = click.option("--salt-file", type=click.Path(dir_okay=False), metavar="FILE", help=SALT_HELP)
level_option = click.option("--level", type=click.Choice(LEVELS), default="medium", show_default=True, help="How hard.")


@click.group("mystery", cls=NearGroup, short_help="Deal, play and score a teaching case.")
def command() -> None:
    """Deal, play and score a teaching case: a heater with a hidden cause.

    The instructor deals with a salt, a sentence that nobody else knows. The learner gets one JSON file, buys checks,
    states probabilities and hands the file back; the instructor scores it with the same salt.

    \b
    Example:
      combust mystery deal --seed 7 --level easy --salt-file salt.txt --out case.json
      combust mystery play case.json --take ambient_air
      combust mystery play case.json --say fuel_over=0.8 --exclude sample_wet --keep-off
      combust mystery score case.json --salt-file salt.txt

    \b
    Next: combust exercises --help (exercises with random numbers)
    """


@answers("deal", command, strict="")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), required=True, metavar="N", help="Whole number of the case.")
@level_option
@salt_option
@click.option("--out", default="output/mystery_case.json", show_default=True, metavar="FILE", help="Where it goes.")
def deal(seed: int, level: str, salt_file: str | None, out: str) -> Answer:
    """Deal a case into a file for the learner.

    Use it to give a learner a case. The answer is sealed under the salt; the same seed, level and salt give the
    same case again.

    \b
    Example:
      combust mystery deal --seed 7 --level easy --salt-file salt.txt --out case.json
    """
    case = Dealer(_salt(salt_file)).deal(seed, level)
    facts = {"case_id": case.case_id, "level": level, "seed": seed, "file": out, "first": dict(case.first)}
    text = f"{case}\nWritten to {out}. Give this file to the learner, never the salt."
    return Answer(facts, text, in_full=True, files={out: output.json_text(Play(case).to_dict())})


@answers("play", command, strict="")
@click.argument("file", type=click.Path(dir_okay=False))
@click.option("--take", "steps", multiple=True, metavar="STEP", help="Check or action to make; may be repeated.")
@click.option("--say", "said", multiple=True, metavar="CAUSE=P", help="Probability of an answer; replaces all before.")
@click.option("--exclude", "excluded", multiple=True, metavar="CAUSE", help="A cause that is excluded; replaces all.")
@click.option("--record", multiple=True, metavar="FIELD=TEXT", help="A field of the record.")
@click.option("--hand-back/--keep-off", default=None, help="Whether the heater is given back for use.")
def play(file: str, steps: Sequence[str], **stated: Any) -> Answer:
    """Buy checks and state what you believe.

    Use it as the learner; without options it shows where the visit stands. Every step is kept in the file. The
    result of a check is shown once it is bought.

    \b
    Example:
      combust mystery play case.json --take ambient_air --take probe_leak
    """
    held = _read(file)
    played = Play.from_dict(held)
    for step in steps:
        played = played.take(step)
        # Each step is kept at once: what was seen cannot be unseen by a fault in the next one.
        held |= played.to_dict()
        output.write_text(file, output.json_text(held))
    before = Statement.from_dict(held.get("statement") or {})
    said = {cause: as_number(text) for cause, text in pairs_of("CAUSE=P", stated["said"], "fuel_over=0.8")}
    held["statement"] = plain(
        Statement.of(
            said or before.probabilities,
            stated["excluded"] or before.excluded,
            before.handed_back if stated["hand_back"] is None else stated["hand_back"],
            {**before.record, **dict(pairs_of("FIELD=TEXT", stated["record"], "found=..."))},
        )
    )
    output.write_text(file, output.json_text(held))
    return _standing(played, held["statement"], {step: played.visit().shown.get(step, {}) for step in steps})


@answers("score", command, strict="")
@click.argument("files", nargs=-1, required=True, type=click.Path(dir_okay=False))
@salt_option
@click.option("--csv", "csv_file", metavar="FILE", help="Also write the results with anonymised ids.")
def score(files: Sequence[str], salt_file: str | None, csv_file: str | None) -> Answer:
    """Score played cases with the instructor's salt.

    Use it as the instructor; the name of a file stands for the learner. In the results table learners stand under
    ids that only the salt explains.

    \b
    Example:
      combust mystery score anna.json ben.json --salt-file salt.txt --csv output/results.csv
    """
    dealer = Dealer(_salt(salt_file))
    scores = []
    for file in files:
        held = _read(file)
        statement = Statement.from_dict(held.get("statement"))
        scores.append((Path(file).stem, score_of(dealer, Play.from_dict(held), statement)))
    texts = [f"{name} ({dealer.learner_id(name)})\n{one}\n" for name, one in scores]
    return Answer(
        {"scores": [{"learner": dealer.learner_id(name), **one.to_dict()} for name, one in scores]},
        "\n".join([*texts, *([f"Results written to {csv_file}."] if csv_file else [])]),
        files={csv_file: results_csv(scores, dealer)} if csv_file else {},
    )


@answers("sheet", command, strict="")
@click.option("--seed", type=click.IntRange(0, 2**62), required=True, metavar="N", help="Seed of the first case.")
@click.option("--count", type=click.IntRange(1, 60), default=4, show_default=True, metavar="N", help="How many cases.")
@level_option
@salt_option
@click.option("--title", default="Mystery heaters", show_default=True, metavar="TEXT", help="Title of the pages.")
@click.option("--out", default="output/mystery", show_default=True, metavar="DIR", help="Folder for pages and files.")
def sheet(seed: int, count: int, level: str, salt_file: str | None, title: str, out: str) -> Answer:
    """Write a class sheet of cases, its key and the files.

    Use it for a class: the sheet, the instructor's key, and a file for each case. The sheet and the files go to the
    learners; the key stays with the instructor, in a folder of its own.

    \b
    Example:
      combust mystery sheet --seed 20 --count 3 --level medium --salt-file salt.txt --out output/mystery
    """
    dealer = Dealer(_salt(salt_file))
    cases = [dealer.deal(seed + number, level) for number in range(count)]
    files = {"sheet": f"{out}/learners/sheet.html", "key": f"{out}/instructor/key.html"}
    files |= {case.case_id: f"{out}/learners/case_{case.case_id}.json" for case in cases}
    texts = [*class_pages(cases, dealer, title=title), *(output.json_text(Play(case).to_dict()) for case in cases)]
    written = dict(zip(files.values(), texts, strict=True))
    return Answer({"files": files}, text_of_rows(files.items()), in_full=True, files=written)


def _salt(path: str | None) -> str:
    """Return the salt from a file, the environment, or the keyboard; never from the command line, which is recorded."""
    if path is not None:
        return read_text(path, max_bytes=LARGEST_FILE).strip()
    given = os.environ.get(SALT_VARIABLE)
    if given is not None:
        return given
    if not sys.stdin.isatty():
        hint = f"Give --salt-file, or set {SALT_VARIABLE}."
        raise CombustError(Fault("salt", None, "missing", why="is missing, and nobody is there to be asked", hint=hint))
    with interrupt.raised():  # what is typed is shown again before the process ends
        return str(click.prompt("Salt", hide_input=True, err=True))


def _read(path: str) -> dict[str, Any]:
    text = read_text(path, max_bytes=LARGEST_FILE)
    try:
        held = json.loads(text)
    except (ValueError, RecursionError):  # a number of more than 4300 digits is a plain ValueError
        held = None
    if not isinstance(held, dict) or is_nested_deeply(held):
        hint = "Give the file that `combust mystery deal` wrote."
        raise CombustError(Fault("file", path, "format", why="is no file of a case", hint=hint))
    return held


def _standing(played: Play, statement: dict[str, Any], results: dict[str, Any]) -> Answer:
    visit = played.visit()
    facts = {
        "case_id": played.case.case_id,
        "stop": [{"code": one.code, "text": one.text} for one in visit.safety.stops],
        "results": results,
        **{name: getattr(visit, name) for name in ("readings", "steps", "breaches")},
        **visit.used._asdict(),
        "statement": statement,
        "cautions": cautions(),
    }
    lines = [text_of_rows(told_columns(row) or [(step, "no columns")]) for step, row in results.items()]
    left = [row for row in price_rows() if not visit.refusal(row["name"]) and not visit.rule_broken_by(row["name"])]
    rows = [{**row, **dict(zip(COSTS, row["price"], strict=True))} for row in left]
    lines = [*(lines or [str(played.case)]), f"Used: {visit.used}.", output.text_of_table(PRICES, rows)]
    if statement["probabilities"]:
        stated = ", ".join(f"{name} {value:g}" for name, value in statement["probabilities"].items())
        lines.append(f"Stated: {stated}; excluded: {', '.join(statement['excluded']) or 'nothing'}.")
    broken = [f"SAFETY: {table()['breach'][code]} It gave no result." for code in visit.breaches]
    return Answer(facts, "\n".join(lines), visit.safety, notes=broken)
