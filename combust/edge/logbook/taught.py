"""The visits that learning looks at, one after the other: of a logbook, or of a table that was written elsewhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from combust.application.visit.record import closing_of_table
from combust.application.visit.visit import Visit
from combust.data.errors import CombustError, Fault
from combust.data.near import folded_id
from combust.domain.result import many
from combust.edge.logbook.book import MAGIC, Logbook, first_bytes
from combust.edge.logbook.profiles import profiles_in
from combust.edge.logbook.visits import NewVisit, each_visit, list_visits
from combust.edge.tables.table_map import MapLike

FIRST = 3  # reasons of refused rows that are told


@contextmanager
def visits_in(
    source: str | Path, heaters: str | Path | None = None, *, mapping: MapLike = None
) -> Iterator[tuple[Iterator[Visit], int, list[str]]]:
    """Give (the visits of a logbook or a table, how many there are, what is to be told of it).

    Parameters
    ----------
    source : str or Path
        A logbook; or a table, CSV or Parquet, with the keys of the glossary and ``found``, ``repair`` or ``event``, and
        ``closed_at``: its visits count as closed where that is given.
    heaters : str or Path, optional
        Folder of profiles, for the visits that keep none.
    mapping : TableMap, mapping or path, optional
        Heading -> key of a table.

    Raises
    ------
    CombustError
        What cannot be read; a table all of whose rows are refused, with the first reasons.
    """
    profiles, left_out = profiles_in(heaters) if heaters else ({}, [])
    if first_bytes(Path(source)) == MAGIC:
        with Logbook(source, read_only=True) as book:
            size = list_visits(book, last=1)[1]
            yield (_with_profile(visit, profiles) for visit in each_visit(book)), size, [*left_out, *book.notes]
        return
    from combust.edge.logbook.visit_tables import visits_of_table

    news, table = visits_of_table(source, mapping=mapping)
    notes = [*left_out, *table.notes, *table.told("row {} refused: {}")]
    if not news:
        why, refused = "holds no visit that can be read", sorted(table.refused)
        hint = "Give a logbook, or a table with visit_id and the columns found, repair and closed_at."
        if refused:
            why, hint = f"{why}: {len(refused)} of {many(table.rows, 'row')} refused", "Mend them; the first ones:"
        faults = [Fault("book", str(source), "missing", why=why, hint=hint)]
        for line, reason in refused[:FIRST]:
            faults.append(Fault(f"row {line}", None, "refused", why=f"was refused: {reason}", hint=""))
        raise CombustError(faults)
    yield (_with_profile(_visit_of(new), profiles) for new in news), len(news), notes


def _visit_of(new: NewVisit) -> Visit:
    """Return a visit of a table as it would stand in a book."""
    days = (str(body["taken_at"]) for kind, _, body in new.entries if kind == "reading" and body.get("taken_at"))
    visit = Visit.open(new.visit_id, at=next(days, ""), heater=new.heater_id)
    visit = visit.add("setting", new.head) if new.head else visit
    for kind, key, body in new.entries:
        visit = visit.add(kind, body, key=key or "")
    return visit.add("closed", closing_of_table(visit, new.closed_at), at=new.closed_at) if new.closed_at else visit


def _with_profile(visit: Visit, profiles: Mapping[str, Mapping[str, Any]]) -> Visit:
    """Return a visit with the profile of its heater where it keeps none."""
    known = profiles.get(folded_id(visit.heater_id or ""))
    if known is None or visit.profile.get("baseline") or not visit.entries:
        return visit
    first, *rest = visit.entries
    return replace(visit, entries=(replace(first, body={**first.body, "profile": known}), *rest))
