"""What is different between two plans: every cell, what that means for decisions, kits, litres and money."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from combust.application.fleet.decisions import FUEL_WHEN
from combust.application.fleet.kits import spare_kits
from combust.application.fleet.overview import SHORT, names_of
from combust.application.fleet.rules import plan_safety, stays_off
from combust.application.fleet.totals import TOTALS, counts_of, litres_of
from combust.data.errors import CombustError, Fault
from combust.data.told import Rows
from combust.domain.result import Result
from combust.domain.safety import Safety

CELLS = ("vehicle_id", "kind", "column", "before", "after")
ON_FUEL = " on "  # stands behind the name of a type that burns another fuel than its own
ABSENT, STAYS = "not in the plan", "stays"
MOVES, MOST_MOVES = ("vehicle_id", "before", "after"), 20
SUMS = {
    "vehicles": "vehicles planned",
    "off": "heaters off",
    "compensation_kits": TOTALS["compensation_kits"],
    "heat_short": "cold cabs",
    **{key: TOTALS[key] for key in ("battery_too_small", "battery_unknown")},
    **{key: TOTALS[key] for key in ("fuel_grade_below", "fuel_grade_marginal", "fuel_grade_unknown")},
    "unsure": "decisions open or unknown",
    **{f"fuel_{when}": words for when, words in FUEL_WHEN.items() if when != "off"},
    "cost": TOTALS["cost"],
}


@dataclass(frozen=True)
class PlanDifference(Result):
    """Two plans side by side.

    Attributes
    ----------
    cells : DataFrame
        ``vehicle_id, kind, column, before, after``: every cell of the vehicles that differs (``changed``), and every
        cell of vehicles that only one plan holds (``added``, ``removed``).
    decisions : DataFrame
        ``before, after, sureness, count, who``: whose decision changes, and how sure the later one is.
    sums : DataFrame
        ``what, before, after, change``; an amount that one plan cannot tell is empty. Types of heater whose number
        changes stand last; ``price_heater`` of the later policy says what those that are exchanged cost.
    moves : DataFrame
        ``vehicle_id, before, after``: where each plan proposes to move a vehicle, of those where they differ.
    """

    cells: pd.DataFrame
    decisions: pd.DataFrame
    sums: pd.DataFrame
    later: Safety
    moves: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(MOVES)))

    unshown = ("later",)

    @property
    def safety(self) -> Safety:
        """The safety state of the later plan."""
        return self.later

    def opening(self) -> tuple[str, ...]:
        """Return the difference in one line."""
        who = self.cells["vehicle_id"].nunique()
        turned = int(self.decisions["count"].sum())
        told = f"Vehicles that differ: {who}; {turned} of them in their decision" if who else ""
        if len(self.moves):
            told = f"{told or 'The vehicles are the same'}; proposed moves that differ: {len(self.moves)}"
        return (told or "The two plans are the same",)

    def lines(self) -> Rows:
        """Return the decisions that change, then the sums that do."""
        turned = [
            (f"{row.before} -> {row.after} ({row.sureness})", f"{row.count}: {row.who}")
            for row in self.decisions.itertuples(index=False)
        ]
        moved = self.sums[self.sums["change"].fillna(0.0) != 0.0]
        places = [
            (f"proposed move of {row.vehicle_id}", f"{row.before} -> {row.after}") for row in self.moves.itertuples()
        ]
        more = [("proposed moves", f"{len(places) - MOST_MOVES} more differ")] if len(places) > MOST_MOVES else []
        return (
            turned
            + places[:MOST_MOVES]
            + more
            + [
                (row.what, f"{row.before:.0f} -> {row.after:.0f} ({row.change:+.0f})")
                for row in moved.itertuples(index=False)
            ]
        )


def plan_difference(
    before: pd.DataFrame,
    after: pd.DataFrame,
    prices: tuple[dict[str, float], dict[str, float]] = ({}, {}),
    moves: tuple[pd.DataFrame, pd.DataFrame] | None = None,
) -> PlanDifference:
    """Return the difference of two plans.

    Parameters
    ----------
    before, after : DataFrame
        The vehicles of the plans (``FleetPlan.vehicles``, or ``vehicles.parquet`` of its folder).
    prices : two mappings
        ``price_compensation_kit``, ``price_heater`` and ``price_fuel_per_l`` of each plan, where they were given, and
        ``spare_share``.
    moves : two DataFrames, optional
        The moves that each plan proposes (``FleetPlan.assignment.moves``).

    Raises
    ------
    CombustError
        Tables that are not the vehicles of a plan, or of plans of different versions.
    """
    if set(before) != set(after) or "decision" not in before:
        why = "are not the vehicles of two plans made alike"
        hint = "Plan both anew with this version of combust."
        raise CombustError(Fault("plans", None, "format", why=why, hint=hint))
    old, new = (frame.set_index("vehicle_id") for frame in (before, after))
    new = new[old.columns]
    both = old.index.intersection(new.index, sort=False)
    parts = [_cells(old.loc[both], "changed", old.loc[both], new.loc[both])]
    added, removed = new.index.difference(old.index, sort=False), old.index.difference(new.index, sort=False)
    parts += [_cells(new.loc[added], "added", None, new.loc[added])]
    parts += [_cells(old.loc[removed], "removed", old.loc[removed], None)]
    full = [part for part in parts if len(part)]
    cells = pd.concat(full, ignore_index=True) if full else pd.DataFrame(columns=list(CELLS))
    return PlanDifference(cells, _decisions(old, new), _sums(old, new, prices), plan_safety(after, 0), _moves(moves))


def _moves(sides: tuple[pd.DataFrame, pd.DataFrame] | None) -> pd.DataFrame:
    """Return the proposed moves that differ: where a vehicle goes by the one plan and by the other."""
    if sides is None:
        return pd.DataFrame(columns=list(MOVES))
    before, after = (one.set_index("vehicle_id")["to_site"] for one in sides)
    table = pd.DataFrame({"before": before, "after": after}).fillna(STAYS)
    return table[table["before"] != table["after"]].rename_axis("vehicle_id").reset_index()[list(MOVES)]


def _cells(rows: pd.DataFrame, kind: str, old: pd.DataFrame | None, new: pd.DataFrame | None) -> pd.DataFrame:
    """Return the cells of some vehicles that differ, or all where one plan does not hold them; ``rows`` names them."""
    differs = np.ones((rows.shape[1], len(rows)), dtype=bool)
    if old is not None and new is not None:
        for number, column in enumerate(rows):
            before, after = old[column], new[column]
            differs[number] = ~((before == after) | (before.isna() & after.isna())).to_numpy(dtype=bool)
    column, row = np.nonzero(differs)
    sides = {
        name: [None] * len(row)
        if one is None
        else [cell for key, at in zip(rows, differs, strict=True) for cell in one[key][at].astype(object)]
        for name, one in (("before", old), ("after", new))
    }
    named = pd.DataFrame({"vehicle_id": rows.index[row], "kind": kind, "column": rows.columns[column]})
    return named.assign(**{name: pd.Series(cells, named.index, dtype=object) for name, cells in sides.items()})


def _decisions(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    frame = pd.DataFrame({"before": old["decision"].map(SHORT), "after": new["decision"].map(SHORT)})
    frame["sureness"] = new["sureness"].reindex(frame.index).fillna("-")
    frame = frame.fillna(ABSENT)
    turned = frame[frame["before"] != frame["after"]].rename_axis("vehicle_id").reset_index()
    found = turned.groupby(["before", "after", "sureness"], sort=True)["vehicle_id"]
    return found.agg(count="size", who=partial(names_of, planned=len(turned))).reset_index()


def _sums(old: pd.DataFrame, new: pd.DataFrame, prices: tuple[dict[str, float], dict[str, float]]) -> pd.DataFrame:
    sides = [_amounts(frame, priced) for frame, priced in zip((old, new), prices, strict=True)]
    rows: list[tuple[str, Any, Any]] = [(words, sides[0][key], sides[1][key]) for key, words in SUMS.items()]
    types = [frame["heater"].str.rsplit(ON_FUEL, n=1).str[0].value_counts() for frame in (old, new)]
    exchanged = _exchanged(old, new)
    price = prices[1].get("price_heater")
    rows += [("heaters of another type to fit", 0, exchanged)] if exchanged else []
    rows += (
        [("cost of these heaters, in the money of the policy", 0.0, price * exchanged)] if price and exchanged else []
    )
    more = "" if price else "; what they cost is in no sum (price_heater in the policy)"
    for name in sorted(set(types[0].index) | set(types[1].index)):
        held, then = (int(counts.get(name, 0)) for counts in types)
        rows += [(f"heaters of type {name}{more}", held, then)] if held != then else []
    table = pd.DataFrame(rows, columns=["what", "before", "after"]).astype({"before": float, "after": float})
    return table.assign(change=table["after"] - table["before"])


def _exchanged(old: pd.DataFrame, new: pd.DataFrame) -> int:
    """Return how many vehicles of both plans get a heater of another type."""
    both = old.index.intersection(new.index, sort=False)
    sides = [frame.loc[both, "heater"].str.rsplit(ON_FUEL, n=1).str[0].to_numpy() for frame in (old, new)]
    return int((sides[0] != sides[1]).sum())


def _amounts(frame: pd.DataFrame, prices: dict[str, float]) -> dict[str, Any]:
    counted, litres = counts_of(frame), litres_of(frame)
    kits = counted["compensation_kits"]
    kit, fuel = prices.get("price_compensation_kit"), prices.get("price_fuel_per_l")
    fitted = kits + spare_kits(kits, prices.get("spare_share", 0.0))
    burnt = litres["now"] + litres["with_kit"]
    costs = [price * amount for price, amount in ((kit, fitted), (fuel, burnt)) if price is not None]
    return {
        "vehicles": len(frame),
        **counted,
        "off": int(stays_off(frame).sum()),
        "unsure": counted["sureness_open"] + counted["sureness_unknown"],
        **{f"fuel_{when}": amount for when, amount in litres.items()},
        "cost": sum(costs) if costs else None,
    }
