"""What leaves a book: no name, no heater, nothing with too few heaters behind it; what an attack finds in it.

The attacker has the papers of heaters of one type: altitude, temperature, readings rounded as on paper, before and
after each visit, and the healthy reading of each. Half of these heaters are in the book. He ranks the heaters by how
near their visits lie to the rows of the table, each channel over its own scatter. Chance puts a heater of the book
before one outside it in half of the pairs. The same attack on rows of single visits, rounded alike, shows what it can.
Heaters inside and outside met the same causes: which causes a book holds is told as counts, on purpose, and whoever
knows them guesses a little better than by chance (0.55 of the pairs, 200 books of 10 heaters and 40 visits).
"""

from __future__ import annotations

import csv
import io
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from combust.application.learning import anonymous as an
from combust.application.learning.confirmed import Confirmed
from combust.application.learning.contributions import with_checksum
from combust.data.errors import CombustError
from combust.domain.heater import Heater
from combust.edge.tables.anonymous import COLUMNS, merged, read_anonymous, taught_by, write_anonymous
from tests.edge.runs import ROOT, call, tool
from tests.long import LONG

pytestmark = pytest.mark.practice

LOGBOOK = ROOT / "data" / "larkfell_logbook"
MAKE = tool("make_larkfell_logbook")
STAGES = ("high", "low")
CHANNELS = ("air_ratio", "flue_temp_c", "rise", "co_dry_ppm")

Pair = tuple[Confirmed, list[dict[str, Any]]]


def fleet(rng: np.random.Generator, heaters: int, visits: int) -> list[Pair]:
    """Confirmed visits of invented heaters of one type, each with the readings after the work."""
    bases = {f"heater-{number}": MAKE.baselines(rng) for number in range(heaters)}
    known = {
        name: Heater.from_dict(
            {
                "fuel": "diesel_b7",
                "blower": "centrifugal",
                "stages": {"high": {"useful_heat_kw": 1.9}, "low": {}},
                "baseline": [
                    {"stage": stage, "altitude_m": 150, "intake_temp_c": 10, "air_in_temp_c": 10, **base}
                    for stage, base in of.items()
                ],
            }
        )
        for name, of in bases.items()
    }  # fmt: skip
    causes = [cause for cause, (_, often, _) in MAKE.CAUSES.items() for _ in range(often)]
    made: list[Pair] = []
    for number in range(visits):
        name, other = f"heater-{number % heaters}", causes[int(rng.integers(len(causes)))]
        cause = made[-1][0].cause if number % 2 else other  # heaters 0 and 1, 2 and 3 ... met the same
        _, altitude, temp = MAKE.PLACES[int(rng.integers(len(MAKE.PLACES)))]
        altitude, temp = round(altitude + rng.normal(0.0, 40.0)), round(temp + rng.normal(0.0, 3.0))
        size = float(np.clip(0.2 * np.exp(0.4 * rng.standard_normal()), 0.09, 0.34))
        before, after = (
            [
                {"stage": stage, "altitude_m": altitude, "intake_temp_c": temp}
                | MAKE.reading(rng, bases[name][stage], altitude, temp, fault)
                for stage in STAGES
            ]
            for fault in (MAKE.CAUSES[cause][0](size), {})
        )
        made.append((Confirmed(f"V{number}", name, "2025-01-05", known[name], cause, tuple(before), ()), after))
    return made


def kind_of(pairs: list[Pair]) -> an.Kind:
    kinds: dict[str, an.Kind] = {}
    for found, after in pairs:
        an.take(kinds, found, after)
    (kind,) = kinds.values()
    return kind


def place(change: dict[str, dict[str, float]], site: tuple[float, float]) -> list[float]:
    return [*site, *(change[stage][key] for stage in STAGES for key in CHANNELS)]


def channels(of: dict[str, dict[str, float]]) -> Any:
    return np.array([of[stage][key] for stage in STAGES for key in CHANNELS])


def places_of(rows: list[dict[str, Any]], heater: Heater) -> Any:
    """Return where the rows of visits lie against the healthy row of the table."""
    healthy = {row["stage"]: row for row in rows if row["kind"] == "healthy"}
    of_row: dict[int, dict[str, Any]] = defaultdict(dict)
    for row in rows:
        if row["kind"] == "visit":
            of_row[row["row"]][row["stage"]] = row
    found = []
    for stages in of_row.values():
        read = {
            stage: {
                key: an.channels_of(row, heater)[key] - an.channels_of(healthy[stage], heater)[key] for key in CHANNELS
            }
            for stage, row in stages.items()
        }
        site = tuple(stages["high"][key] - healthy["high"][key] for key in an.SITE)
        found.append(place(read, site))
    return np.array(found)


def pairs_right(near: dict[str, float], inside: set[str]) -> float:
    """Return the share of pairs in which a heater of the book comes before one outside it; chance: a half."""
    first, second = ([value for name, value in near.items() if (name in inside) == here] for here in (True, False))
    return float(np.mean([(one < other) + 0.5 * (one == other) for one in first for other in second]))


def attack(seed: int, heaters: int = 20, visits: int = 100) -> tuple[float, float, float]:
    """Return the share of pairs that the attacker gets right: by rows, by the mean healthy reading, by visits."""
    rng = np.random.default_rng(seed)
    every = fleet(rng, 2 * heaters, 2 * visits)
    inside = {f"heater-{number}" for number in range(0, 2 * heaters, 2)}
    in_book = kind_of([one for one in every if one[0].heater_id in inside])
    rows, _ = an.rows_of(in_book, np.random.default_rng(seed + 1000))
    known, whole = every[0][0].heater, kind_of(every)
    papers = [one for one in whole.points if set(STAGES) <= set(one.change)]
    paper = np.array([place(one.change, one.site) for one in papers])
    who = np.array([one.heater for one in papers])
    single = np.array([place(one.change, one.site) for one in in_book.points if set(STAGES) <= set(one.change)])
    steps = np.array([an.STEP_M, an.STEP_K, *([0.02, 2.0, 0.02, 0.05] * 2)])
    right = []
    for table in (places_of(rows, known), np.round(single / steps) * steps):
        far = np.sqrt((((paper[:, None] - table[None]) / paper.std(axis=0)) ** 2).sum(axis=2)).min(axis=1)
        right.append(pairs_right({name: float(far[who == name].mean()) for name in set(who)}, inside))
    mean = {row["stage"]: an.channels_of(row, known) for row in rows if row["kind"] == "healthy"}
    own = {
        name: np.array([of[stage][key] for stage in STAGES for key in CHANNELS]) for name, of in whole.healthy.items()
    }
    middle = np.array([mean[stage][key] for stage in STAGES for key in CHANNELS])
    scatter = np.std([*own.values()], axis=0)
    healthy = pairs_right({name: float(np.sum(((one - middle) / scatter) ** 2)) for name, one in own.items()}, inside)
    return right[0], healthy, right[1]


def test_the_attack_finds_nothing() -> None:
    """No better than chance by the rows and by the mean healthy reading: within three standard errors of a half."""
    found = np.array([attack(seed) for seed in range(200 if LONG else 6)])
    mean, error = found.mean(axis=0), found.std(axis=0, ddof=1) / len(found) ** 0.5
    told = ", ".join(f"{one:.3f} ± {u:.3f}" for one, u in zip(mean, error, strict=True))
    print(f"pairs right by rows, by the mean healthy reading, by single visits, {len(found)} books: {told}; chance 0.5")
    for share, u in zip(mean[:2], error[:2], strict=True):
        assert share - 3.0 * u < 0.5
        assert share < 0.5 * (0.5 + mean[2])  # nearer to chance than to what single visits give away
    assert mean[2] > 0.9


def test_no_row_depends_on_whose_visit_it_was() -> None:
    """Visits dealt anew to the heaters give the same rows, so that no row can be the row of a heater."""
    kind = kind_of(fleet(np.random.default_rng(3), 20, 90))
    names = [one.heater for one in kind.points]
    dealt = np.random.default_rng(4).permutation(names)
    other = replace(kind, points=[replace(one, heater=str(name)) for one, name in zip(kind.points, dealt, strict=True)])
    rows, others = (an.rows_of(one, np.random.default_rng(5))[0] for one in (kind, other))
    visits = [row for row in rows if row["kind"] == "visit"]
    assert len(visits) >= 2 * 9  # ninety visits after the work, by tens, in two stages
    assert rows == others
    kept = [some for some in _cells(kind.points).values() if an._enough(some)]
    assert {row["mean_of"] for row in visits} == set(map(len, kept))


def _cells(points: list[an.Point]) -> dict[Any, list[an.Point]]:
    found = defaultdict(list)
    for one in points:
        found[one.cell].append(one)
    return found


@pytest.mark.hand
def test_rows_have_mean_and_scatter_of_their_cell() -> None:
    """Weights of n visits: 1/n, and a random part of variance (n - 1)/n²: a row scatters as a visit, about the mean."""
    kind = kind_of(fleet(np.random.default_rng(7), 20, 40))
    after = [one for one in kind.points if one.cell[0] == "after"]
    kind.points = after
    made = []
    for seed in range(60):
        rows, _ = an.rows_of(kind, np.random.default_rng(seed))
        made.append(places_of(rows, fleet(np.random.default_rng(7), 1, 1)[0][0].heater))
    drawn, true = np.concatenate(made)[:, 3], np.array([place(one.change, one.site) for one in after])[:, 3]
    assert len(drawn) == 60 * 4
    # flue temperature: mean within four standard errors, scatter within a quarter; the site's steps are not in it
    assert drawn.mean() == pytest.approx(true.mean(), abs=4.0 * true.std() / len(drawn) ** 0.5)
    assert drawn.std() == pytest.approx(true.std(), rel=0.25)
    assert an.scatter_of(10) == 1.0


def test_fewer_than_five_heaters_are_held_back() -> None:
    rng = np.random.default_rng(11)
    rows, told = an.rows_of(kind_of(fleet(rng, 4, 60)), rng)
    assert rows == []
    assert "4 heaters, fewer than 5" in told[0]
    kind = kind_of(fleet(rng, 19, 60))
    kind.causes["blower_weak"] = ["heater-0", "heater-1", "heater-0", "heater-2", "heater-3"]
    rows, told = an.rows_of(kind, rng)
    assert "blower_weak" not in {row.get("cause") for row in rows}
    few = [some for some in kind.causes.values() if len({*some}) < 5]  # causes, not the visits that met them
    assert f"{len(few)} causes, met {sum(map(len, few))} times: fewer than 5 heaters share each" in told
    assert "all readings: 19 heaters, fewer than 20" in told
    assert {row["kind"] for row in rows} == {"cause"}
    assert min(row["visits"] for row in rows) >= 5
    rows, told = an.rows_of(kind_of(fleet(rng, 20, 60)), rng)
    assert min(row["mean_of"] for row in rows if row["kind"] == "visit") >= 20


def contribution(
    seed: int, book: str = "b", size: tuple[int, int] = (20, 40), confirmed: int = 40
) -> list[dict[str, Any]]:
    rows, _ = an.rows_of(kind_of(fleet(np.random.default_rng(seed), *size)), np.random.default_rng(seed))
    return with_checksum(rows, book, confirmed)


def test_each_contribution_counts_once(tmp_path: Path) -> None:
    first, second, grown = contribution(1), contribution(2, "c"), contribution(3, "b", confirmed=55)
    again = merged([first, second, first])
    assert (again.contributions, len(again.rows)) == (2, len(first) + len(second))
    assert "came twice" in again.told[0]
    newer = merged([[*first, *second], grown])
    assert {row["contribution"] for row in newer.rows} == {second[0]["contribution"], grown[0]["contribution"]}
    assert merged([second, first, second]).rows == again.rows
    for ending in ("csv", "parquet"):
        write_anonymous(again.rows, tmp_path / f"t.{ending}")
        assert merged([read_anonymous(tmp_path / f"t.{ending}"), first]).contributions == 2
    text = (tmp_path / "t.csv").read_text(encoding="utf-8")
    for changed in (
        text.replace(",winter 2024/25,", ",winter 2023/24,", 1),
        text.rsplit("\n", 2)[0] + "\n",
        text.replace(",40,", ",90,"),  # the visits behind it, and of which book it is: in every row
        text.replace(",c,", ",b,"),
        text.partition("\n")[0] + "\n",  # cut off below the heading
    ):
        assert changed != text
        (tmp_path / "u.csv").write_text(changed, encoding="utf-8")
        with pytest.raises(CombustError, match=r"changed after it was written|has lost its rows"):
            read_anonymous(tmp_path / "u.csv")


def test_it_teaches_like_a_book() -> None:
    rows = contribution(5)
    lessons = list(taught_by(rows))
    read, counted = ([one for one in lessons if bool(one.rows) == with_rows] for with_rows in (True, False))
    assert len({one.group for one in read}) == 4  # twenty heaters: groups of five or more
    assert all(one.heater and one.heater.baselines and not one.cause and one.scatter == 1.0 for one in read)
    assert {row["stage"] for one in read for row in one.rows} == set(STAGES)
    told = {row["cause"]: row["visits"] for row in rows if row["kind"] == "cause"}
    held_back = [one for one in counted if one.none_of is not None]
    assert {one.none_of for one in held_back} == {tuple(sorted(told))}
    assert len(held_back) == 40 - sum(told.values()) > 0  # 40 confirmed visits stand behind it
    assert Counter(one.cause for one in counted if one.none_of is None) == told
    # whose they were is not told: five heaters stand behind a count, the fewest that may
    assert len({one.group for one in counted if one.none_of is None}) == an.FEWEST * len(told)
    assert all(len({one.cause for one in counted if one.group == name}) == 1 for name in {o.group for o in counted})


def test_nothing_of_the_book_is_in_it_and_it_is_asked_for(tmp_path: Path) -> None:
    out, heaters = tmp_path / "out.csv", str(LOGBOOK / "heaters")
    book = "\n".join((LOGBOOK / "visits.csv").read_text(encoding="utf-8").splitlines()[: 1 + 4 * 10])
    (tmp_path / "book.csv").write_text(book, encoding="utf-8")
    asked = call("share", str(tmp_path / "book.csv"), "--heaters", heaters, "--out", str(out))
    assert asked.code != 0
    assert not out.exists()  # nobody said yes
    assert "probe_leak_test" in asked.err  # it was shown
    done = call("share", str(tmp_path / "book.csv"), "--heaters", heaters, "--out", str(out), "--yes")
    assert done.code == 0, done.err
    text = out.read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0]) == [*COLUMNS]
    for secret in ("heater-10", "L01", "Fellarch", "2024-", "T09", "repair", "note"):
        assert secret in book
        assert secret not in text, secret
    assert {row["kind"] for row in rows} == {"look"}  # ten visits: no cause of five heaters
    assert "held back" in done.err
    assert "all readings: 10 heaters, fewer than 20" in done.err


def test_what_is_written_can_be_read(tmp_path: Path) -> None:
    """Sites scatter about the mean of a cell: none is below any land, and every row is accepted by the reader."""
    for seed in (2, 5):
        rows, _ = an.rows_of(kind_of(fleet(np.random.default_rng(seed), 30, 120)), np.random.default_rng(seed))
        write_anonymous(with_checksum(rows, "b", 120), tmp_path / "t.csv")
        assert len(read_anonymous(tmp_path / "t.csv")) == len(rows)
        assert min(row.get("altitude_m", 0.0) for row in rows) >= -250.0
        assert {row["altitude_m"] % an.STEP_M for row in rows if "altitude_m" in row} == {0.0}
        assert {row["intake_temp_c"] % an.STEP_K for row in rows if "intake_temp_c" in row} == {0.0}
