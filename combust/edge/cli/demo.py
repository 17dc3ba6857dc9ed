"""``combust demo``: run the main job on the invented Larkfell data."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from combust.application.causes.rank import rank_causes
from combust.application.causes.visit_result import VisitResult
from combust.application.reading.result import ReadingResult, interpret
from combust.data.errors import first_few
from combust.data.told import text_of_rows
from combust.domain.heater import Heater
from combust.domain.limits import cautions
from combust.domain.reading import Reading
from combust.domain.result import many, plain
from combust.domain.safety import Safety
from combust.edge.cli import output
from combust.edge.cli.answer import Answer, answers
from combust.edge.cli.files import WrittenFolder
from combust.edge.demo_data import READINGS, demo_data
from combust.edge.figures.causes import draw_steps
from combust.edge.figures.gas_plane import draw_plane, draw_shortcut_error
from combust.edge.figures.style import save
from combust.edge.next_command import next_command
from combust.edge.whole_file import write_text

VISITS = "larkfell_visits.csv"
INTERPRETED, REFUSED = "readings_interpreted.csv", "readings_refused.csv"
FLEET = "larkfell_fleet"
DRAWN = "W302"  # snow in the intake: every check was made, so its figure has the most steps
SHOWN = ("R005", "R015", "R020")  # a healthy hut heater, a pair that cannot be, a stop condition
READING_COLUMNS = (
    {"reading": "reading_id", "first finding": "first", "O2 %": "o2_dry_pct:g", "lambda": "air_ratio:.2f"}
    | {"± (95 %)": "half:.2f", "CO air-free (ppm)": "co_air_free_ppm:.0f", "loss %": "stack_loss_pct:.1f"}
    | {"O2-CO2": "agreement", "note": "note"}
)
VISIT_COLUMNS = {"visit": "visit", "heater": "heater_id", "most probable": "cause", "": "probability"} | {
    "not told apart from": "alike",
    "next check": "check",
    "trim": "trim",
}


@answers("demo", strict="")
@click.option(
    "--out",
    default="output/demo",
    show_default=True,
    type=WrittenFolder(),
    metavar="DIR",
    help="Folder for tables and figures.",
)
@click.option("--data", "data_folder", metavar="DIR", help="Folder with the demo data (default: the project's data/).")
def command(out: str, data_folder: str | None) -> Answer:
    """Run the main job on the invented Larkfell data.

    Use it to see what combust does before you type a reading of your own.

    \b
    Example:
      combust demo --out output/demo

    \b
    Next: combust reading --help   (then type a reading of your own)
    """
    from combust.edge.tables.readings import interpret_file

    data, target = demo_data(data_folder), Path(out)
    counts = interpret_file(data / READINGS, target / INTERPRETED, rejects=target / REFUSED)
    example = _show_readings(data, target)
    visits, fleet = _rank_visits(data, target), _copy_fleet(data, target)
    named = [replace(one, text=f"Visit {visit.visit_id}: {one.text}") for visit in visits for one in visit.stop]
    facts = {"out": out, "readings": counts, "reading": example, "visits": visits, "cautions": cautions()}
    refused = [f"  row {row['row']}: {row['reasons']}" for row in _rows(target / REFUSED)]
    text = f"""Readings of {data / READINGS} (invented demo data)

{output.text_of_table(READING_COLUMNS, map(_reading_row, _rows(target / INTERPRETED)))}

{many(counts.rows, "row")}: {counts.interpreted} interpreted, {counts.refused} refused:
{chr(10).join(refused)}

{SHOWN[0]} in full

{text_of_rows(example.lines())}

Causes of the visits of {data / VISITS} (invented demo data)

{output.text_of_table(VISIT_COLUMNS, sorted(map(_visit_row, visits), key=lambda row: row["visit"]))}

Everything was written to {target}/
Look at {target}/plane_{SHOWN[0]}.png and {target}/causes_{DRAWN}.png.
A word that is not plain: combust word pair_impossible{fleet}
Next, a reading of your own: combust reading --help"""
    return Answer(facts, text, Safety((*named, *counts.safety().findings)), in_full=True)


def _show_readings(data: Path, target: Path) -> ReadingResult:
    """Write some readings in full, each with its figure, into the folder; return the first of them."""
    by_id = {row["reading_id"]: row for row in _rows(data / READINGS)}
    results = {name: interpret(Reading(**by_id[name])) for name in SHOWN}
    for name, result in results.items():
        write_text(target / f"reading_{name}.txt", f"{result}\n")
        save(draw_plane(result), target / f"plane_{name}.png")
    first = results[SHOWN[0]]
    save(draw_shortcut_error(first.fuel, o2_dry_pct=first.inputs["o2_dry_pct"]), target / "shortcut_error.png")
    return first


def _rank_visits(data: Path, target: Path) -> list[VisitResult]:
    """Rank the causes of the demo visits: every visit in full and one figure in the folder."""
    from combust.edge.tables.visits import read_visits

    found: list[VisitResult] = []
    for profile in sorted((data / "heaters").glob("*.toml")):
        heater = Heater.load(profile)
        # rows of other heaters are passed over
        readings, _ = read_visits(data / VISITS, heater_id=heater.heater_id)
        found += rank_causes(heater, readings)
        drawn = [one for one in readings if one.visit_id == DRAWN and one.phase != "after"]
        if drawn:
            save(draw_steps(heater, drawn), target / f"causes_{DRAWN}.png")
    for visit in found:
        write_text(target / f"causes_{visit.visit_id}_{visit.phase}.txt", f"{visit}\n")
    return found


def _copy_fleet(data: Path, target: Path) -> str:
    """Copy tables, profiles and policy of the demo fleet, to be planned and changed; return the command that does."""
    files = sorted(file for file in (data / FLEET).rglob("*") if file.suffix in (".csv", ".toml"))
    for file in files:
        write_text(target / "fleet" / file.relative_to(data / FLEET), file.read_text(encoding="utf-8"))
    tables = [word for name in ("vehicles", "sites", "routes") for word in (f"--{name}", f"{target}/fleet/{name}.csv")]
    command = next_command("fleet", *tables, "--policy", f"{target}/fleet/policy.toml", "--out", f"{target}/plan")
    return f"\nA fleet of your own to start from: {command}" if files else ""


def _rows(path: Path) -> list[dict[str, Any]]:
    """Return the rows of a table; what is empty is None."""
    import pandas as pd

    return list(plain(pd.read_csv(path)))


def _reading_row(row: dict[str, Any]) -> dict[str, Any]:
    half = row["air_ratio_u"] and 2.0 * row["air_ratio_u"]
    return {**row, "first": (row["findings"] or "").split(";")[0], "half": half}


def _visit_row(visit: VisitResult) -> dict[str, Any]:
    row = {"visit": visit.visit_id + (" after" if visit.phase == "after" else ""), "heater_id": visit.heater_id}
    if visit.stop:
        return {**row, "cause": "STOP comes first"}
    top, first = visit.top, visit.cannot_separate[0] if visit.cannot_separate else ()
    alike = [name for name in first if name != top.cause] if top.cause in first else []
    return {
        **row,
        "cause": top.cause,
        "probability": top.percent,
        "alike": first_few(alike, 2),
        "check": visit.next_checks[0].check if visit.next_checks else "",
        "trim": visit.adjust and f"fuel {visit.adjust.fuel_trim_pct:+.0f} %",
    }
