"""A series watched: values every few seconds by hand, or a table that grows on disk; steady or not, then kept."""

from __future__ import annotations

import csv
import datetime
import io
import tempfile
from dataclasses import replace
from functools import lru_cache
from itertools import compress
from pathlib import Path
from threading import Lock
from typing import Any, NamedTuple

from starlette.responses import Response

from combust.application.visit.steady import LONGEST_WINDOW_S, SteadyResult, steady_rule
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.units import in_words
from combust.data.vocabulary import quantities
from combust.domain.safety import Safety, of_all
from combust.edge.logbook.typed import read_line, stops_typed
from combust.edge.logbook.visit_tables import entries_of_series
from combust.edge.logbook.visits import NewVisit, add
from combust.edge.tables.series import Series, judge_series, read_series
from combust.edge.web.asked import Asked
from combust.edge.web.fields import words_of
from combust.edge.web.texts import texts
from combust.edge.web.visit_book import again_with, path_of, standing_of, visit_of
from combust.edge.web.visit_view import about, visit_fields

WATCHED = ("o2_dry_pct", "co_dry_ppm", "flue_temp_c", "stage", "minutes_since_ignition")
COLUMNS = ("taken_at", *WATCHED)
MOST_SAMPLES = 1000
EVERY_S = 5
_one_at_a_time = Lock()


def show(asked: Asked) -> Response:
    """Return the fields for one sample, and the table on disk when the server watches one."""
    visit = visit_of(asked)
    facts = _facts(asked, visit, "")
    return asked.show("visit_watch", safety=_safety(asked, visit, facts["stops"]), **facts)


def take(asked: Asked) -> Response:
    """Take one sample more, or keep the steady window as a reading of the visit."""
    visit, held = visit_of(asked), asked.form.get("samples", "")
    if "keep" in asked.form:
        return _keep(asked, visit, held)
    words = words_of(asked.form, WATCHED)
    try:
        held = _with_sample(held, words, visit)
    except CombustError as error:
        return _refused(asked, visit, held, error, words)
    for key in WATCHED[:3]:  # what is read anew each time; the stage stays
        for name in [name for name in asked.form if name.startswith(key.rpartition("_")[0])]:
            asked.form.pop(name)
    facts = _facts(asked, visit, held)
    return asked.show("visit_watch", safety=_safety(asked, visit, facts["stops"]), **facts)


def this_moment() -> datetime.datetime:
    """Return this moment with the offset of this place: to the full, since two samples of one second are two."""
    return datetime.datetime.now().astimezone()


def _with_sample(held: str, words: list[str], visit: Visit) -> str:
    """Return the samples with one more, stamped with this moment.

    Raises
    ------
    CombustError
        It is not understood, or there are too many.
    """
    if not words:
        hint = texts()["visit"]["watch_empty"]
        raise CombustError(Fault("series", "", "empty", why="has no value in it", hint=hint))
    now = this_moment()
    line = read_line(words, visit, now.replace(microsecond=0))
    at = now.isoformat(timespec="milliseconds")
    row = {"taken_at": at, **line.given, **{key: f">{least:g}" for key, least in line.over.items()}}
    written = io.StringIO()
    table = csv.DictWriter(written, COLUMNS, extrasaction="ignore", lineterminator="\n")
    if not held:
        table.writeheader()
    table.writerow(row)
    if held.count("\n") > MOST_SAMPLES:
        hint = texts()["visit"]["watch_full"]
        raise CombustError(Fault("series", MOST_SAMPLES, "too_large", why="has too many samples", hint=hint))
    return held.replace("\r", "") + written.getvalue()


class _Watched(NamedTuple):
    """A series, whether it is steady, the reading that its steady window makes, and why it cannot be judged."""

    series: Series
    result: SteadyResult | None
    values: dict[str, Any] | None
    why: tuple[str, ...]


def _watched(asked: Asked, held: str, source: str) -> _Watched | None:
    """Return the series that is watched, None where there is nothing yet."""
    path = asked.house.settings.series
    if source == "file":
        if path is None or not path.exists():
            return None
        seen = path.stat()
        with _one_at_a_time:
            return _on_disk(path, seen.st_mtime_ns, seen.st_size)
    if not held.strip():
        return None
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "samples.csv"
        table.write_text(held, encoding="utf-8")
        return _judge(read_series(table))


@lru_cache(maxsize=2)
def _on_disk(path: Path, changed_ns: int, size: int) -> _Watched:
    """Return the table on disk, read once for each time that it grew however many phones watch it."""
    return _judge(read_series(path))


def _judge(series: Series) -> _Watched:
    """Return a series with what its last hour says; its stops are those of the whole."""
    late = series.times_s >= series.times_s[-1] - LONGEST_WINDOW_S
    columns = {key: column[late] for key, column in series.columns.items()}
    stage = list(compress(series.stage, late)) if series.stage is not None else None
    last = replace(series, times_s=series.times_s[late], columns=columns, stage=stage)
    try:
        return _Watched(last, *judge_series(last), ())
    except CombustError as error:
        return _Watched(last, None, None, tuple(str(one) for one in error.faults))


def _facts(asked: Asked, visit: Visit, held: str, error: CombustError | None = None) -> dict[str, Any]:
    path, looked, stops = asked.house.settings.series, [], Safety(())
    for source in ("hand", *(("file",) if path else ())):
        try:
            found = _watched(asked, held, source)
            judged = _judged(found, asked.units) if found else {}
            stops = of_all([stops, Safety(found.series.stops)]) if found else stops
        except CombustError as wrong:
            judged = {"why": [str(one) for one in wrong.faults]}
            stops = of_all([stops, Safety(wrong.safety.stops)]) if wrong.safety else stops
        looked.append({"source": source, "name": path.name if path and source == "file" else "", **judged})
    rule = steady_rule()
    fields = visit_fields(WATCHED, visit, asked, error)
    return {
        **about(visit),
        "fields": fields,
        "samples": held,
        "looked": looked,
        "every": EVERY_S,
        "minutes": f"{rule.window_s / 60.0:g}",
        "apart": f"{rule.sample_s:g}",
        "stops": stops,
        "safety_stops": bool(standing_of(asked, visit).safety.stops),
    }


def _judged(found: _Watched, units: str) -> dict[str, Any]:
    series, result = found.series, found.result
    shown = {"count": len(series.times_s), "notes": list(series.notes), "last": _last(series, units)}
    if result is None:
        return {**shown, "why": found.why}
    why = [in_words(text, units) for text in result.why]
    return {**shown, "steady": result.steady, "why": why, "rows": _rows(result, units)}


def _rows(result: SteadyResult, units: str) -> list[tuple[str, str]]:
    rows = [(_label(label), in_words(text, units)) for label, text in result.lines()]
    return [row for row in rows if row[0] not in ("steady", "why")]


def _label(key: str) -> str:
    """Return the label of a key; any other word as it is."""
    return str(texts()["field"].get(key) or (quantities()[key].meaning if key in quantities() else key))


def _last(series: Series, units: str) -> str:
    """Return the sample that came last, in words."""
    told = [f"{_label(key)} {column[-1]:g} {quantities()[key].unit}".strip() for key, column in series.columns.items()]
    return in_words(", ".join([f"{series.times_s[-1]:.0f} s", *told]), units)


def _safety(asked: Asked, visit: Visit, stops: Safety) -> Safety:
    return of_all([standing_of(asked, visit).safety, stops]).told_in(asked.units)


def _refused(asked: Asked, visit: Visit, held: str, error: CombustError, words: list[str]) -> Response:
    facts = _facts(asked, visit, held, error)
    stops = of_all([stops_typed(words, this_moment(), visit), facts["stops"]])
    safety = _safety(asked, visit, Safety(stops.stops))
    return again_with(asked, "visit_watch", lambda _: facts)(error, safety)


def _keep(asked: Asked, visit: Visit, held: str) -> Response:
    """Take the steady mean into the visit, with the stop of the series."""
    try:
        found = _watched(asked, held, asked.form["keep"])
        if found is None or found.values is None:
            why = " ".join(found.result.why if found.result else found.why) if found else "has no samples"
            hint = texts()["visit"]["watch_wait"]
            raise CombustError(Fault("series", "", "not_steady", why=f"is not steady: {why}", hint=hint))
        values, entries = found.values, entries_of_series(found.series, found.values)
        with asked.house.book() as book:
            add(book, [NewVisit(visit.visit_id, values.get("heater_id"), {}, entries)], key=asked.key)
    except CombustError as error:
        return _refused(asked, visit, held, error, [])
    return asked.go(path_of(visit.visit_id))
