"""``combust mystery``: deal a teaching case, play it, score it, print a class sheet."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from combust.data.errors import CombustError, Fault
from combust.data.tables import is_nested_deeply, read_text
from combust.edge import interrupt
from combust.edge.cli import output

if TYPE_CHECKING:
    from combust.application.mystery import Play

SALT_VARIABLE = "COMBUST_MYSTERY_SALT"
LARGEST_FILE = 1_000_000
LEVELS = ("easy", "medium", "hard")
salt_option = click.option(
    "--salt-file", type=click.Path(dir_okay=False), metavar="FILE",
    help=f"Text file with the instructor's salt; else {SALT_VARIABLE} is read, else it is asked for.",
)  # fmt: skip
level_option = click.option("--level", type=click.Choice(LEVELS), default="medium", show_default=True, help="How hard.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


@click.group("mystery", short_help="Deal, play and score a teaching case.")
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


@command.command("deal", short_help="Deal a case into a file for the learner.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), required=True, metavar="N", help="Whole number of the case.")
@level_option
@salt_option
@click.option("--out", default="output/mystery_case.json", show_default=True, metavar="FILE", help="Where it goes.")
@json_option
def deal(seed: int, level: str, salt_file: str | None, out: str, as_json: bool) -> None:
    """Deal a case into a file for the learner; the answer is sealed under the salt.

    Use it to give a learner a case. The same seed, level and salt give the same case again.

    \b
    Example:
      combust mystery deal --seed 7 --level easy --salt-file salt.txt --out case.json
    """
    from combust.application.mystery import Play, mystery

    case = mystery(seed, level, salt=_salt(salt_file))
    _write(out, Play(case).to_dict())
    if as_json:
        output.say_json({"case_id": case.case_id, "level": level, "seed": seed, "file": out, "first": dict(case.first)})
        return
    click.echo(f"{case}\nWritten to {out}. Give this file to the learner, never the salt.")
    output.tell_cautions()


@command.command("play", short_help="Buy checks and state what you believe.")
@click.argument("file", type=click.Path(dir_okay=False))
@click.option("--take", "steps", multiple=True, metavar="STEP", help="Check or action to make; may be repeated.")
@click.option("--say", "said", multiple=True, metavar="CAUSE=P", help="Probability of an answer; replaces all before.")
@click.option("--exclude", "excluded", multiple=True, metavar="CAUSE", help="A cause that is excluded; replaces all.")
@click.option("--record", multiple=True, metavar="FIELD=TEXT", help="A field of the record.")
@click.option("--hand-back/--keep-off", default=None, help="Whether the heater is given back for use.")
@json_option
def play(
    file: str,
    steps: Sequence[str],
    said: Sequence[str],
    excluded: Sequence[str],
    record: Sequence[str],
    hand_back: bool | None,
    as_json: bool,
) -> None:
    """Buy checks and state what you believe; without options, show where the visit stands.

    Use it as the learner. Every step is kept in the file. The result of a check is shown once it is bought.

    \b
    Example:
      combust mystery play case.json --take ambient_air --take probe_leak
    """
    from combust.application.mystery import Play

    held = _read(file)
    played = Play.from_dict(held)
    for step in steps:
        played = played.take(step)
        # Each step is kept at once: what was seen cannot be unseen by a fault in the next one.
        held |= played.to_dict()
        _write(file, held)
    held["statement"] = _statement(held, said, excluded, record, hand_back)
    _write(file, held)
    told = {step: played.visit().shown.get(step, {}) for step in steps}
    if as_json:
        output.say_json(_standing(played, held["statement"], told))
        return
    _show(played, held["statement"], told)


@command.command("score", short_help="Score played cases with the instructor's salt.")
@click.argument("files", nargs=-1, required=True, type=click.Path(dir_okay=False))
@salt_option
@click.option("--csv", "table", metavar="FILE", help="Also write the results with anonymised ids.")
@json_option
def score(files: Sequence[str], salt_file: str | None, table: str | None, as_json: bool) -> None:
    """Score played cases with the instructor's salt; the name of a file stands for the learner.

    Use it as the instructor. In the results table learners stand under ids that only the salt explains.

    \b
    Example:
      combust mystery score anna.json ben.json --salt-file salt.txt --csv output/results.csv
    """
    from combust.application.mystery import Dealer, Play, Statement
    from combust.application.mystery import score as score_of
    from combust.edge.reports.class_sheets import results_csv

    dealer = Dealer(_salt(salt_file))
    scores = []
    for file in files:
        held = _read(file)
        statement = Statement.from_dict(held.get("statement"))
        scores.append((Path(file).stem, score_of(dealer, Play.from_dict(held), statement)))
    if table:
        output.write_text(table, results_csv(scores, dealer))
    if as_json:
        output.say_json({"scores": [{"learner": dealer.learner_id(name), **one.to_dict()} for name, one in scores]})
        return
    for name, one in scores:
        click.echo(f"{name} ({dealer.learner_id(name)})\n{one}\n")
    if table:
        click.echo(f"Results written to {table}.")


@command.command("sheet", short_help="Write a class sheet of cases, its key and the files.")
@click.option("--seed", type=click.IntRange(0, 2**62), required=True, metavar="N", help="Seed of the first case.")
@click.option("--count", type=click.IntRange(1, 60), default=4, show_default=True, metavar="N", help="How many cases.")
@level_option
@salt_option
@click.option("--title", default="Mystery heaters", show_default=True, metavar="TEXT", help="Title of the pages.")
@click.option("--out", default="output/mystery", show_default=True, metavar="DIR", help="Folder for pages and files.")
@json_option
def sheet(seed: int, count: int, level: str, salt_file: str | None, title: str, out: str, as_json: bool) -> None:
    """Write a class sheet of cases, the instructor's key, and a file for each case.

    Use it for a class. The sheet and the files go to the learners; the key stays with the instructor, in a folder of
    its own.

    \b
    Example:
      combust mystery sheet --seed 20 --count 3 --level medium --salt-file salt.txt --out output/mystery
    """
    from combust.application.mystery import Dealer, Play
    from combust.edge.reports.class_sheets import class_pages

    dealer = Dealer(_salt(salt_file))
    cases = [dealer.deal(seed + number, level) for number in range(count)]
    page, key = class_pages(cases, dealer, title=title)
    target = Path(out)
    files = {"sheet": target / "learners" / "sheet.html", "key": target / "instructor" / "key.html"}
    output.write_text(files["sheet"], page)
    output.write_text(files["key"], key)
    for case in cases:
        files[case.case_id] = target / "learners" / f"case_{case.case_id}.json"
        _write(files[case.case_id], Play(case).to_dict())
    if as_json:
        output.say_json({"files": {name: str(path) for name, path in files.items()}})
        return
    output.say_lines([(name, str(path)) for name, path in files.items()])
    output.tell_cautions()


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


def _write(path: str | Path, held: dict[str, Any]) -> None:
    output.write_text(path, json.dumps(held, ensure_ascii=False, allow_nan=False, indent=1) + "\n")


def _pairs(texts: Sequence[str], what: str, example: str) -> dict[str, str]:
    wrong = [text for text in texts if not text.partition("=")[0] or "=" not in text]
    if wrong:
        hint = f"Write it as {what}, for instance {example}."
        raise CombustError(Fault(what, wrong[0], "format", why="has no =", hint=hint))
    return {name.strip(): value.strip() for name, _, value in (text.partition("=") for text in texts)}


def _statement(
    held: dict[str, Any], said: Sequence[str], excluded: Sequence[str], record: Sequence[str], hand_back: bool | None
) -> dict[str, Any]:
    """Return the statement in the file with what the options change."""
    from combust.application.mystery import Statement
    from combust.data.fields import as_number

    before = Statement.from_dict(held.get("statement") or {}).to_dict()
    stated = {name: as_number(text) for name, text in _pairs(said, "CAUSE=P", "fuel_over=0.8").items()}
    return Statement.of(
        stated or before["probabilities"],
        tuple(excluded) or before["excluded"],
        before["handed_back"] if hand_back is None else hand_back,
        before["record"] | _pairs(record, "FIELD=TEXT", "found=..."),
    ).to_dict()


def _standing(played: Play, statement: dict[str, Any], told: dict[str, Any]) -> dict[str, Any]:
    from combust.domain.limits import cautions

    visit = played.visit()
    return {
        "safety": visit.safety.to_dict(),
        "case_id": played.case.case_id,
        "stop": [{"code": one.code, "text": one.text} for one in visit.safety.stops],
        "results": told,
        **{name: getattr(visit, name) for name in ("readings", "steps", "breaches")},
        **visit.used._asdict(),
        "statement": statement,
        "cautions": cautions(),
    }


def _show(played: Play, statement: dict[str, Any], told: dict[str, Any]) -> None:
    from combust.application.mystery.rules import price_rows, table, told_columns

    visit = played.visit()
    output.tell_safety(visit.safety)
    for code in visit.breaches:
        click.secho(f"SAFETY: {table()['breach'][code]} It gave no result.", err=True, bold=True)
    if not told:
        click.echo(played.case)
    for step, row in told.items():
        output.say_lines(told_columns(row) or [(step, "no columns")])
    click.echo(f"Used: {visit.used}.")
    left = [row for row in price_rows() if not visit.refusal(row["name"]) and not visit.rule_broken_by(row["name"])]
    output.say_table(
        ("can be done now", "heater", "min", "money", "risk", "what is done"),
        [(row["name"], row["heater"], *(f"{cost:g}" for cost in row["price"]), row["text"]) for row in left],
    )
    if statement["probabilities"]:
        stated = ", ".join(f"{name} {value:g}" for name, value in statement["probabilities"].items())
        click.echo(f"Stated: {stated}; excluded: {', '.join(statement['excluded']) or 'nothing'}.")
    output.tell_rest(visit.safety)
