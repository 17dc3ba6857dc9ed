"""What is printed to be typed next works as it stands; a day that does not exist and lacking profiles are named."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from combust.edge.logbook.book import Logbook
from combust.edge.logbook.visits import close_visit
from tests.edge.runs import DATA, call

pytestmark = pytest.mark.regression
ID = "Heater 1 2023-10-02"
HEATERS = ("--heaters", str(DATA / "heaters"))


def printed(text: str, *begins: str) -> list[str]:
    """Return the words of a printed command as a shell takes them, to the end of its line."""
    found = re.search(f"combust {' '.join(begins)} .*", text)
    assert found, text
    return shlex.split(found[0])[1:]


def book_of(folder: Path) -> str:
    book = str(folder / "winter $1 book.book")
    assert call("visit", "open", book, "heater-0312", *HEATERS, "--visit-id", ID, "outdoors").code == 0
    return book


def test_a_closed_visit_is_opened_again_by_the_printed_command(tmp_path):
    """With the book, quotes around blanks, and the reason that is required."""
    book = book_of(tmp_path)
    for line in ("missing rest it never lit", "handed_back no"):
        assert call("visit", "enter", book, *line.split()).code == 0
    with Logbook(book) as opened:
        close_visit(opened, ID, incomplete=True)
    refused = call("visit", "enter", book, "--visit-id", ID, "co", "50")
    again = printed(refused.err, "visit", "reopen")
    assert again[-1] == "WHY"
    assert call(*again).code == 0


def test_printed_commands_of_a_book_and_of_a_profile_are_taken(tmp_path):
    """``log show`` beside a list and where no entry can be corrected, ``visit enter``, ``profile check``."""
    book = book_of(tmp_path)
    listed = call("log", "show", book)
    refused = call("visit", "correct", book, "1", "because", "x")
    for text in (listed.err, refused.err):
        assert ID in call(*printed(text, "log", "show")).out
    correct = printed(listed.out, "visit", "correct")
    assert correct[2:] == [book, "NUMBER", "..."]
    twice = call("visit", "open", book, "heater-0312", *HEATERS, "--visit-id", ID)
    *enter, rest = printed(twice.err, "visit", "enter")
    assert rest == "..."
    assert call(*enter, "co", "50").code == 0
    profile = tmp_path / "Heater 1.toml"
    told = call("profile", "new", "--out", str(profile)).out
    assert printed(told, "profile", "check") == ["profile", "check", str(profile)]


@pytest.mark.parametrize("day", ["31.11.2024", "2023-02-29", "31/11/2024"])
def test_a_day_that_does_not_exist_is_called_so(tmp_path, day):
    """November has 30 days, February of 2023 had 28: the Gregorian calendar, as in ISO 8601."""
    table = tmp_path / "t.csv"
    table.write_text(f"reading_id;date;time;o2_dry_pct\nR1;{day};9:05;10\nR2;01/02/2024;9:05;10\n", encoding="utf-8")
    told = call("readings", str(table), "--out", str(tmp_path / "out.csv"))
    rows = (tmp_path / "out.csv").read_text(encoding="utf-8") + told.err
    assert f"{day} 9:05 cannot be: there is no such day" in rows
    assert "01/02/2024 9:05 is no time, or can be read in two ways" in rows
    typed = call("visit", "enter", book_of(tmp_path), "co", "50", "at", day)
    assert "there is no such day" in typed.err


def test_share_says_that_profiles_lack(tmp_path):
    """Visits without a profile: what lacks is told, not the number of heaters, which is enough."""
    visits, out = DATA / "larkfell_logbook" / "visits.csv", tmp_path / "t.csv"
    refused = call("share", str(visits), "--out", str(out), "--yes")
    assert refused.code != 0
    assert "profiles lack" in refused.err
    assert "give its profile with a healthy reading (--heaters DIR)" in refused.err
    assert "five heaters" not in refused.err
    assert not out.exists()
