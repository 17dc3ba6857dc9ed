"""``combust demo``: run the main job on the invented Larkfell data."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import click

from combust.application.causes.result import VisitResult
from combust.application.reading_result import interpret
from combust.data.errors import CombustError, Fault
from combust.domain.heater import Heater
from combust.domain.reading import Reading
from combust.edge.cli import output

READINGS = "larkfell_readings.csv"
VISITS = "larkfell_visits.csv"
DRAWN = "W302"  # snow in the intake: every check was made, so its figure has the most steps
SHOWN = ("R005", "R015", "R020")  # a healthy hut heater, a pair that cannot be, a stop condition


@click.command("demo", short_help="Run the main job on the invented Larkfell data.")
@click.option("--out", default="output/demo", show_default=True, metavar="DIR", help="Folder for tables and figures.")
@click.option("--data", "data_folder", metavar="DIR", help="Folder with the demo data (default: the project's data/).")
def command(out: str, data_folder: str | None) -> None:
    """Run the main job on the invented Larkfell data.

    Use it to see what combust does before you type a reading of your own.

    \b
    Example:
      combust demo --out output/demo
    """
    data = find_data(data_folder)
    target = Path(out)
    demonstrate_readings(data, target)
    demonstrate_causes(data, target)
    output.tell_cautions()
    click.echo(f"\nEverything was written to {target}/")


def find_data(folder: str | None) -> Path:
    """Return the folder with the demo data: the clone's, the one that an installed package carries, or a data/ here."""
    here = Path(__file__)
    shipped = [here.parents[3] / "data", here.parents[2] / "demo_data", Path("data")]
    places = [Path(folder)] if folder else shipped
    for place in places:
        if (place / READINGS).is_file():
            return place
    hint = "Run it from a clone of the project, or give --data."
    raise CombustError(Fault("data", str(places[-1]), "missing", why=f"holds no {READINGS}", hint=hint))


def demonstrate_readings(data: Path, target: Path) -> None:
    """Interpret the demo readings: a table on the screen, tables and figures in the folder."""
    from combust.edge.figures import draw_plane, draw_shortcut_error, save
    from combust.edge.tables.readings import interpret_file

    interpreted, refused = target / "readings_interpreted.csv", target / "readings_refused.csv"
    counts = interpret_file(data / READINGS, interpreted, rejects=refused)
    for code, number in counts.stops().items():
        click.secho(f"STOP in {number} of {counts.rows} rows: {code}", err=True, bold=True)
    click.echo(f"Readings of {data / READINGS} (invented demo data)\n")
    with interpreted.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    headings = ("reading", "first finding", "O2 %", "lambda", "± (95 %)", "CO air-free", "loss %", "O2-CO2", "note")
    output.say_table(headings, [_line(row) for row in rows])
    click.echo(f"\n{counts.rows} rows: {counts.interpreted} interpreted, {counts.refused} refused:")
    with refused.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            click.echo(f"  row {row['row']}: {row['reasons']}")
    with (data / READINGS).open(newline="", encoding="utf-8") as file:
        by_id = {row["reading_id"]: row for row in csv.DictReader(file)}
    for name in SHOWN:
        result = interpret(Reading(**by_id[name]))
        output.write_text(target / f"reading_{name}.txt", f"{result}\n")
        save(draw_plane(result), target / f"plane_{name}.png")
    example = interpret(Reading(**by_id[SHOWN[0]]))
    save(draw_shortcut_error(example.fuel, o2_dry_pct=example.inputs["o2_dry_pct"]), target / "shortcut_error.png")
    click.echo(f"\n{SHOWN[0]} in full\n")
    output.say_lines(example.lines())


def demonstrate_causes(data: Path, target: Path) -> None:
    """Rank the causes of the demo visits: a table on the screen, every visit in full and one figure in the folder."""
    from combust.application.causes.rank import rank_causes
    from combust.edge.figures import save
    from combust.edge.figures_causes import draw_steps
    from combust.edge.tables.visits import read_visits

    rows = []
    for profile in sorted((data / "heaters").glob("*.toml")):
        heater = Heater.load(profile)
        readings, _ = read_visits(data / VISITS, heater_id=heater.heater_id)  # rows of other heaters are passed over
        for visit in rank_causes(heater, readings):
            output.write_text(target / f"causes_{visit.visit_id}_{visit.phase}.txt", f"{visit}\n")
            for stop in visit.stop:
                click.secho(f"Visit {visit.visit_id}: {stop.text}", err=True, bold=True)
            rows.append(_visit_line(visit))
        drawn = [one for one in readings if one.visit_id == DRAWN and one.phase != "after"]
        if drawn:
            save(draw_steps(heater, drawn), target / f"causes_{DRAWN}.png")
    click.echo(f"\nCauses of the visits of {data / VISITS} (invented demo data)\n")
    output.say_table(
        ("visit", "heater", "most probable", "", "not told apart from", "next check", "trim"), sorted(rows)
    )


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
