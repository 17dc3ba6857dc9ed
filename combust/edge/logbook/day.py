"""The visits of one day of a book, without reading the others."""

from __future__ import annotations

from combust.application.visit.visit import Visit
from combust.edge.logbook.book import Logbook
from combust.edge.logbook.chain import OF_VISIT
from combust.edge.logbook.migrate import broken_seals
from combust.edge.logbook.rows import read_one, visit_of
from combust.edge.logbook.summary import listed


def days_of(visit: Visit) -> set[str]:
    """Return the days of a visit, YYYY-MM-DD: those of its readings; without one the day it was opened."""
    days = {str(one.values.get("taken_at") or one.at)[:10] for one in visit.taken}
    return days or {visit.opened_at[:10]}


def visits_of_day(book: Logbook, day: str) -> list[Visit]:
    """Return the visits of a day in the order they were opened; of the others nothing is read.

    Parameters
    ----------
    book : Logbook
    day : str
        YYYY-MM-DD, by the clock of the place where it was written.
    """
    query = f"""SELECT DISTINCT {OF_VISIT} AS name FROM entry
        WHERE kind != 'day' AND (at LIKE ? || '%' OR body LIKE '%' || ? || '%')"""
    with book.looking() as connection:
        named = {row["name"] for row in connection.execute(query, (day, day))}
        visits = []
        for row in listed(connection)[0]:
            if (key := row["visit_key"]) in named:
                rows = read_one(connection, key)
                seals = [
                    one for name in {str(each["visit_id"]) for each in rows} for one in broken_seals(connection, name)
                ]
                visits.append(visit_of(row["label"], rows, seals))
    return [visit for visit in visits if day in days_of(visit)]


def latest_days(book: Logbook, most: int = 5) -> list[str]:
    """Return the last days on which a visit was opened."""
    with book.looking() as connection:
        query = "SELECT DISTINCT substr(opened_at, 1, 10) AS day FROM summary ORDER BY day DESC LIMIT ?"
        return [row["day"] for row in connection.execute(query, (most,))][::-1]
