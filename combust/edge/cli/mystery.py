"""``combust mystery``: deal teaching cases, hand out what is paid for, score and debrief, print a class sheet."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from combust.application.mystery import Dealer, Statement, class_summary, debrief
from combust.application.mystery.rules import LEVELS, answers, heaters, price_rows, table, told_columns
from combust.data.errors import CombustError, Fault
from combust.data.fields import as_number
from combust.data.tables import read_text
from combust.data.told import text_of_rows
from combust.domain.limits import cautions
from combust.domain.result import plain
from combust.edge import interrupt
from combust.edge.cli import output
from combust.edge.cli.answer import Answer
from combust.edge.cli.answer import answers as answers_with
from combust.edge.cli.files import Updated, Written, WrittenFolder, alone_with
from combust.edge.cli.group import NearGroup
from combust.edge.cli.options import pairs_of, with_point
from combust.edge.mystery_files import LARGEST_FILE, KeyFile, LearnerFile
from combust.edge.reports.class_sheets import class_pages, results_csv
from combust.edge.whole_file import write_text

SALT_VARIABLE = "COMBUST_MYSTERY_SALT"
COSTS = ("min", "money", "risk")
PRICES = (
    {"can be done now": "name", "heater": "heater"} | {cost: f"{cost}:g" for cost in COSTS} | {"what is done": "text"}
)
SALT_HELP = f"Text file with the trainer's salt; else {SALT_VARIABLE} is read, else it is asked for."
salt_option = click.option("--salt-file", type=click.Path(dir_okay=False), metavar="FILE", help=SALT_HELP)
level_option = click.option("--level", type=click.Choice(LEVELS), default="medium", show_default=True, help="How hard.")
heater_option = click.option(
    "--heater", type=click.Choice(tuple(heaters())), help="One of the invented heaters; else any."
)
doubles_option = click.option("--no-doubles", is_flag=True, help="Never two causes at once.")
MOST = 60  # cases of a class
NAME_IT = "The account goes by the name of the file: call it after its learner, like anna.json."
WHOSE = "Is it a fresh copy, or the file of another learner? The account goes by its name."
LOOK = "To look at: {name}: the file {what}."


@click.group("mystery", cls=NearGroup, short_help="Deal, play and score a teaching case.")
def command() -> None:
    """Deal, play and score a teaching case: a heater with a hidden cause.

    The trainer deals: the learner's file holds what was shown and nothing else, the trainer's key every result and the
    answer. The trainer hands out what a learner buys; the learner states probabilities; the trainer scores.

    \b
    Example:
      combust mystery deal --seed 7 --level easy --salt-file salt.txt --out case.json --key key.json
      combust mystery play case.json --take ambient_air --key key.json
      combust mystery play case.json --say fuel_over=0.8 --exclude sample_wet --keep-off
      combust mystery score case.json --key key.json

    \b
    Next: combust exercises --help (exercises with random numbers)
    """


@answers_with("deal", command, strict="")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), required=True, metavar="N", help="Whole number of the case.")
@level_option
@click.option(
    "--topic", metavar="WORD", help="What it is about: a cause, or restriction, fuel, sample, two_at_once ..."
)
@heater_option
@doubles_option
@salt_option
@click.option(
    "--out",
    type=Written(".json", own=('"case"',)),
    default="output/mystery_case.json",
    show_default=True,
    metavar="FILE",
    help="The learner's file.",
)
@click.option(
    "--key",
    "key_file",
    type=Updated(),
    metavar="FILE",
    help="The trainer's file, added to; else OUT with _key in its name.",
)
def deal(seed: int, level: str, salt_file: str | None, out: str, key_file: str | None, **order: Any) -> Answer:
    """Deal a case: a file for the learner, a key for the trainer.

    Use it to give a learner a case. The key holds the answer and all results: it stays with the trainer. The same
    seed, salt and order give the same case again.

    \b
    Example:
      combust mystery deal --seed 7 --level easy --topic fuel --salt-file salt.txt --out case.json --key key.json
    """
    dealer = Dealer(_salt(salt_file))
    key_file = key_file or str(Path(out).with_name(f"{Path(out).stem}_key.json"))
    dealt = dealer.deal(seed, level, **_order(order))
    alone_with(key_file)
    keys = KeyFile.opened(key_file, dealer)
    keys.add(dealt)
    case = dealt.case
    facts = {"case_id": case.case_id, "level": level, "seed": seed, "file": out, "key": key_file}
    facts |= {"first": dict(case.first), "baseline": case.baseline, "budget_min": case.budget}
    text = f"{case}\nWritten to {out} for the learner, and to {key_file}: that is the key, never give it away."
    files = {out: output.json_text(LearnerFile(case).to_dict()), key_file: output.json_text(keys.to_dict())}
    return Answer(facts, text, in_full=True, files=files)


def _order(order: dict[str, Any]) -> dict[str, Any]:
    """Return what is ordered as the dealer takes it."""
    return {"topic": order.get("topic"), "heater": order["heater"], "doubles": not order["no_doubles"]}


@answers_with("play", command, strict="")
@click.argument("file", type=Updated(), metavar="FILE")
@click.option("--take", "steps", multiple=True, metavar="STEP", help="Check or action to make; may be repeated.")
@click.option(
    "--key", "key_file", type=Updated(), metavar="FILE", help="The trainer's key: it hands out what is taken."
)
@click.option("--say", "said", multiple=True, metavar="CAUSE=P", help="Probability of an answer; replaces all before.")
@click.option("--exclude", "excluded", multiple=True, metavar="CAUSE", help="A cause that is excluded; replaces all.")
@click.option("--record", multiple=True, metavar="FIELD=TEXT", help="A field of the record.")
@click.option("--hand-back/--keep-off", default=None, help="Whether the heater is given back for use.")
def play(file: str, steps: Sequence[str], key_file: str | None, **stated: Any) -> Answer:
    """Hand out checks, or state what you believe.

    Use it as the trainer with --key to hand out what a learner buys: the key keeps the account, under the name of the
    learner's file, so call it after the learner. Use it as the learner to state probabilities; without options it shows
    where the visit stands.

    \b
    Example:
      combust mystery play case.json --take ambient_air --take probe_leak --key key.json
    """
    held, learner, keys = LearnerFile.read(file), Path(file).stem, None
    seen, notes = held, []
    if steps:
        if key_file is None:
            hint = "The trainer hands it out: add --key with the trainer's file."
            raise CombustError(Fault("key", None, "missing", why="is missing: no result lies in this file", hint=hint))
        alone_with(key_file)
        keys = KeyFile.read(key_file)
        notes = _handed_out(keys, held, learner, steps)
    before = held.statement
    said = {cause: with_point(text) for cause, text in pairs_of("CAUSE=P", stated["said"], "fuel_over=0.8")}
    held.statement = Statement.of(
        said or before.probabilities,
        stated["excluded"] or before.excluded,
        before.handed_back if stated["hand_back"] is None else stated["hand_back"],
        {**before.record, **dict(pairs_of("FIELD=TEXT", stated["record"], "found=..."))},
    )
    if keys is not None:
        seen = LearnerFile(keys.case(held.case.case_id).case, held.shown, held.statement)
    answer = _standing(seen, {step: held.result(step) for step in steps}, notes)
    if keys is not None and key_file is not None:
        # All of a list or nothing: nothing is shown or kept before every step and statement was accepted.
        write_text(key_file, output.json_text(keys.to_dict()))
    write_text(file, output.json_text(held.to_dict()))
    return answer


def _handed_out(keys: KeyFile, held: LearnerFile, learner: str, steps: Sequence[str]) -> list[str]:
    """Hand steps out to a learner, and return what the trainer has to look at.

    Raises
    ------
    CombustError
        A step that is none or makes no sense now; with what is not in order in the file, since that is often why.
    """
    case_id, remarks = held.case.case_id, keys.remarks(learner, held)
    notes = [LOOK.format(name=learner, what=one) for one in remarks] + keys.known_before([(learner, case_id)])
    try:
        for step in steps:
            held.show(step, keys.hand_out(case_id, learner, step))
    except CombustError as error:
        faults = [Fault("file", learner, "conflict", why=one, hint=WHOSE) for one in remarks]
        raise CombustError([*error.faults, *faults]) from error
    return notes + ([NAME_IT] if case_id in learner else [])


@answers_with("score", command, strict="")
@click.argument("files", nargs=-1, required=True, type=click.Path(dir_okay=False))
@click.option(
    "--key",
    "key_file",
    type=Updated(),
    required=True,
    metavar="FILE",
    help="The trainer's key, with what was handed out.",
)
@click.option(
    "--csv", "csv_file", type=Written(own=("reference_minutes",)), metavar="FILE", help="Also write one row a learner."
)
@click.option("--names", is_flag=True, help="Names of the files in the table instead of ids.")
def score(files: Sequence[str], key_file: str, csv_file: str | None, names: bool) -> Answer:
    """Score and debrief played cases with the trainer's key; of several, the class.

    Use it as the trainer. What was bought is read from the key, what is believed from the learners' files, whose names
    stand for the learners. In the table learners stand under ids that only the key explains, or with --names.

    Hand-outs are counted: by case and name, in the key. It is told where a file was changed since it was dealt, lacks
    what was handed out (a fresh copy), or shows more; who else was given results; and whose answer was told before.
    Nobody can know what was seen in another's file, or who plays under a name: hand out by the name of a person.

    \b
    Example:
      combust mystery score anna.json ben.json --key key.json --csv output/results.csv
    """
    alone_with(key_file)
    keys = KeyFile.read(key_file)
    played = [(Path(file).stem, LearnerFile.read(file)) for file in files]
    told = [(name, debrief(keys.play(name, held), held.statement)) for name, held in played]
    scores = [(name if names else keys.learner_id(name), one.score) for name, one in told]
    summary = class_summary([one for _, one in scores])
    texts = [f"{name} ({keys.learner_id(name)})\n{one}\n" for name, one in told]
    texts += [str(summary)] if len(told) > 1 else []
    others, known = keys.others(told), keys.known_before((name, held.case.case_id) for name, held in played)
    looks = [[*keys.remarks(name, held), *keys.tell(name, held)] for name, held in played]
    texts += [LOOK.format(name=name, what=one) for (name, _), some in zip(played, looks, strict=True) for one in some]
    texts += [*known, *([f"Also handed out: {', '.join(others)}."] if others else [])]
    shown = [
        {"learner": name, "to_look_at": some, **one.to_dict()}
        for (name, _), some, (_, one) in zip(scores, looks, told, strict=True)
    ]
    files_out = {key_file: output.json_text(keys.to_dict())}
    return Answer(
        {"scores": shown, "class": summary.to_dict()},
        "\n".join([*texts, *([f"Results written to {csv_file}."] if csv_file else [])]),
        files=files_out | ({csv_file: results_csv(scores, map("; ".join, looks))} if csv_file else {}),
    )


@answers_with("sheet", command, strict="")
@click.option("--seed", type=click.IntRange(0, 2**62), required=True, metavar="N", help="Seed of the first case.")
@click.option(
    "--count", type=click.IntRange(1, MOST), default=4, show_default=True, metavar="N", help="How many cases."
)
@level_option
@click.option("--topic", "ordered", multiple=True, metavar="WORD=N", help="So many cases of it, instead of --count.")
@heater_option
@doubles_option
@salt_option
@click.option("--title", default="Mystery heaters", show_default=True, metavar="TEXT", help="Title of the pages.")
@click.option(
    "--out",
    type=WrittenFolder(below=True),
    default="output/mystery",
    show_default=True,
    metavar="DIR",
    help="Folder for pages and files.",
)
def sheet(
    seed: int, count: int, level: str, ordered: Sequence[str], salt_file: str | None, title: str, out: str, **order: Any
) -> Answer:
    """Write a class sheet of cases, its key and the files.

    Use it for a class: the sheet, the trainer's key, and a file for each case. The sheet and the files go to the
    learners; the key stays with the trainer, in a folder of its own.

    \b
    Example:
      combust mystery sheet --seed 20 --topic restriction=2 --topic sample_wet=1 --salt-file salt.txt
    """
    dealer = Dealer(_salt(salt_file))
    wanted = _topics(ordered) or [None] * count
    dealt = [dealer.deal(seed + number, level, **_order({**order, "topic": one})) for number, one in enumerate(wanted)]
    files = {"sheet": f"{out}/learners/sheet.html", "key": f"{out}/instructor/key.html"}
    files |= {"key_file": f"{out}/instructor/key.json"}
    files |= {one.case.case_id: f"{out}/learners/case_{one.case.case_id}.json" for one in dealt}
    keys = KeyFile.opened(files["key_file"], dealer)
    for one in dealt:
        keys.add(one)
    texts = [*class_pages(dealt, title=title), output.json_text(keys.to_dict())]
    texts += [output.json_text(LearnerFile(one.case).to_dict()) for one in dealt]
    written = dict(zip(files.values(), texts, strict=True))
    return Answer({"files": files}, text_of_rows(files.items()), in_full=True, files=written)


def _topics(ordered: Sequence[str]) -> list[str | None]:
    """Return the topic of each case that is ordered.

    Raises
    ------
    CombustError
        An unknown topic, or a number of cases that cannot be.
    """
    found: list[str | None] = []
    for word, text in pairs_of("WORD=N", ordered, "restriction=3"):
        number = as_number(with_point(text))
        if not isinstance(number, float) or number != int(number) or not 1 <= number <= MOST - len(found):
            hint = f"Give a whole number; a class has {MOST} cases at most: restriction=3."
            raise CombustError(Fault("topic", text[:40], "out_of_band", why="is no number of cases", hint=hint))
        found += [word] * int(number)
    return found


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


def _standing(held: LearnerFile, results: dict[str, Any], notes: Sequence[str]) -> Answer:
    visit, statement = held.visit(), held.statement
    facts = {
        "case_id": held.case.case_id,
        "stop": [{"code": one.code, "text": one.text} for one in visit.safety.stops],
        "results": results,
        **{name: getattr(visit, name) for name in ("readings", "steps", "breaches")},
        **visit.used._asdict(),
        "budget_min": held.case.budget,
        "statement": plain(statement),
        "to_look_at": list(notes),
        "cautions": cautions(),
    }
    lines = [
        text_of_rows(told_columns(row) or [(step, "no columns" if step in visit.shown else "not made, costs nothing")])
        for step, row in results.items()
    ]
    left = [row for row in price_rows() if not visit.refusal(row["name"]) and not visit.rule_broken_by(row["name"])]
    rows = [{**row, **dict(zip(COSTS, row["price"], strict=True))} for row in left]
    lines = [*(lines or [str(held.case)]), f"Used: {visit.used}.", output.text_of_table(PRICES, rows)]
    if statement.probabilities:
        stated = ", ".join(f"{name} {value:g}" for name, value in statement.probabilities.items())
        lines.append(f"Stated: {stated}; excluded: {', '.join(statement.excluded) or 'nothing'}.")
    else:
        lines.append(f"Answers: {', '.join(answers())}; two faults joined by +.")
    broken = [f"SAFETY: {table()['breach'][code]} It was not made and costs nothing." for code in visit.breaches]
    return Answer(facts, "\n".join(lines), visit.safety, notes=[*broken, *notes])
