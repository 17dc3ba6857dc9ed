"""``combust demo``: run the main job on the invented Larkfell data."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from combust.application.causes.visit_result import VisitResult
from combust.application.reading.result import ReadingResult, interpret
from combust.domain.heater import Heater
from combust.domain.limits import cautions
from combust.domain.reading import Reading
from combust.domain.result import plain, text_of_rows
from combust.domain.safety import Safety
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.demo_data import READINGS, demo_data

if TYPE_CHECKING:
    from combust.edge.tables.readings import Counts

VISITS = "larkfell_visits.csv"
INTERPRETED, REFUSED = "readings_interpreted.csv", "readings_refused.csv"
DRAWN = "W302"  # snow in the intake: every check was made, so its figure has the most steps
SHOWN = ("R005", "R015", "R020")  # a healthy hut heater, a pair that cannot be, a stop condition


@click.command("demo", short_help="Run the main job on the invented Larkfell data.")
@click.option("--out", default="output/demo", show_default=True, metavar="DIR", help="Folder for tables and figures.")
@click.option("--data", "data_folder", metavar="DIR", help="Folder with the demo data (default: the project's data/).")
@answers(strict="")
def command(out: str, data_folder: str | None) -> Answer:
    """Run the main job on the invented Larkfell data.

    Use it to see what combust does before you type a reading of your own.

    \b
    Example:
      combust demo --out output/demo

    \b
    Next: combust reading --help   (then type a reading of your own)
    """
    data = demo_data(data_folder)
    target = Path(out)
    counts, example = work_readings(data, target)
    visits = work_causes(data, target)
    named = [replace(one, text=f"Visit {visit.visit_id}: {one.text}") for visit in visits for one in visit.stop]
    safety = Safety((*named, *counts.safety().findings))
    facts = {
        "out": str(target),
        "readings": plain(counts),
        "reading": example,
        "visits": visits,
        "cautions": cautions(),
    }
    text = f"""{text_of_readings(data, target, counts, example)}

{text_of_causes(data, visits)}

Everything was written to {target}/
Look at {target}/plane_R005.png and {target}/causes_{DRAWN}.png.
A word that is not plain: combust word pair_impossible
Next, a reading of your own: combust reading --help"""
    return Answer(facts, text, safety, in_full=True)


def work_readings(data: Path, target: Path) -> tuple[Counts, ReadingResult]:
    """Interpret the demo readings: two tables, the readings that are shown in full, and figures in the folder."""
    from combust.edge.figures.gas_plane import draw_plane, draw_shortcut_error
    from combust.edge.figures.style import save
    from combust.edge.tables.readings import interpret_file

    counts = interpret_file(data / READINGS, target / INTERPRETED, rejects=target / REFUSED)
    by_id = {row["reading_id"]: row for row in _rows(data / READINGS)}
    for name in SHOWN:
        result = interpret(Reading(**by_id[name]))
        output.write_text(target / f"reading_{name}.txt", f"{result}\n")
        save(draw_plane(result), target / f"plane_{name}.png")
    example = interpret(Reading(**by_id[SHOWN[0]]))
    save(draw_shortcut_error(example.fuel, o2_dry_pct=example.inputs["o2_dry_pct"]), target / "shortcut_error.png")
    return counts, example


def text_of_readings(data: Path, target: Path, counts: Counts, example: ReadingResult) -> str:
    """Return the readings as a table, the refused rows with their reasons, and one reading in full."""
    headings = ("reading", "first finding", "O2 %", "lambda", "± (95 %)", "CO air-free", "loss %", "O2-CO2", "note")
    refused = [f"  row {row['row']}: {row['reasons']}" for row in _rows(target / REFUSED)]
    return "\n".join(
        [
            f"Readings of {data / READINGS} (invented demo data)\n",
            output.text_of_table(headings, [_line(row) for row in _rows(target / INTERPRETED)]),
            f"\n{counts.rows} rows: {counts.interpreted} interpreted, {counts.refused} refused:",
            *refused,
            f"\n{SHOWN[0]} in full\n",
            text_of_rows(example.lines()),
        ]
    )


def work_causes(data: Path, target: Path) -> list[VisitResult]:
    """Rank the causes of the demo visits: every visit in full and one figure in the folder."""
    from combust.application.causes.rank import rank_causes
    from combust.edge.figures.causes import draw_steps
    from combust.edge.figures.style import save
    from combust.edge.tables.visits import read_visits

    found: list[VisitResult] = []
    for profile in sorted((data / "heaters").glob("*.toml")):
        heater = Heater.load(profile)
        # rows of other heaters are passed over
        readings = read_visits(data / VISITS, heater_id=heater.heater_id).readings
        for visit in rank_causes(heater, readings):
            output.write_text(target / f"causes_{visit.visit_id}_{visit.phase}.txt", f"{visit}\n")
            found.append(visit)
        drawn = [one for one in readings if one.visit_id == DRAWN and one.phase != "after"]
        if drawn:
            save(draw_steps(heater, drawn), target / f"causes_{DRAWN}.png")
    return found


def text_of_causes(data: Path, visits: list[VisitResult]) -> str:
    """Return one line for each visit."""
    headings = ("visit", "heater", "most probable", "", "not told apart from", "next check", "trim")
    table = output.text_of_table(headings, sorted(_visit_line(visit) for visit in visits))
    return f"Causes of the visits of {data / VISITS} (invented demo data)\n\n{table}"


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _visit_line(visit: VisitResult) -> tuple[str, ...]:
    if visit.stop:
        return (visit.visit_id, visit.heater_id or "", "STOP comes first", "", "", "", "")
    first = visit.cannot_separate[0] if visit.cannot_separate else ()
    alike = [name for name in first if name != visit.top.cause] if visit.top.cause in first else []
    more = f" and {len(alike) - 2} more" if len(alike) > 2 else ""
    trim = "" if visit.adjust is None else f"fuel {visit.adjust.fuel_trim_pct:+.0f} %"
    return (
        visit.visit_id + (" after" if visit.phase == "after" else ""),
        visit.heater_id or "",
        visit.top.cause,
        f"{100.0 * visit.top.probability:.0f} %",
        ", ".join(alike[:2]) + more,
        visit.next_checks[0].check if visit.next_checks else "",
        trim,
    )


def _line(row: dict[str, Any]) -> tuple[str, ...]:
    u = f"{2 * float(row['air_ratio_u']):.2f}" if row["air_ratio_u"] else ""
    return (
        row["reading_id"],
        row["findings"].split(";")[0],
        row["o2_dry_pct"],
        _short(row["air_ratio"], 2) or "none",
        u,
        _short(row["co_air_free_ppm"], 0),
        _short(row["stack_loss_pct"], 1),
        row["agreement"],
        row["note"],
    )


def _short(text: str, digits: int) -> str:
    return f"{float(text):.{digits}f}" if text else ""
