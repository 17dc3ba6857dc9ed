"""What learning found, in words: first what it means, then the numbers behind it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from combust.application.causes.catalogue import label_of
from combust.application.learning.confirmed import told_why
from combust.application.learning.learnt import Learnt, rests_on
from combust.data.tables import load_table
from combust.data.told import Rows
from combust.domain.result import Result, many

MOVED = 0.05  # of the shipped prior, from which a cause is said to be met more or less often
SHIFTED = 0.5  # standard deviations of the shipped prior, from which a row of the structure is said to lie elsewhere


@dataclass(frozen=True, slots=True)
class Learning(Result):
    """What visits taught, whether it is used, and what would help.

    Attributes
    ----------
    learnt : Learnt or None
        What is written down; None where nothing proved itself.
    visits, heaters, confirmed : int
        What taught; ``confirmed`` are the visits whose cause a repair confirmed, and that frequencies count.
    structure, frequencies : str
        In words: used, or why not.
    rests_on : mapping
        visits, heaters, confirmed; of anonymous tables also tables, behind (confirmed visits) and held_back.
    score : mapping
        Mean ln score of a visit of a heater left out: before, after, gain, gain_u; and the share of unlike visits.
    frequency_score : mapping
        Mean gain of ln score of a confirmed cause of a heater left out, over the shipped shares: gain, gain_u.
    untold : tuple of str
        Rows of the structure about which the visits tell next to nothing.
    would_help : tuple of str
        Checks that would tell most of those, as ``combust word`` knows them, the most helpful first.
    not_counted : mapping
        Why a visit confirms no cause -> how many; closed ones of heaters with a healthy reading teach structure.
    """

    learnt: Learnt | None
    visits: int
    heaters: int
    confirmed: int
    structure: str
    frequencies: str
    rests_on: Mapping[str, float] = field(default_factory=dict)
    score: Mapping[str, float] = field(default_factory=dict)
    frequency_score: Mapping[str, float] = field(default_factory=dict)
    untold: tuple[str, ...] = ()
    would_help: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    shares: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    not_counted: Mapping[str, int] = field(default_factory=dict)
    calculated = True

    def lines(self) -> Rows:
        """Return what was learnt, its proof, and what would help."""
        return _rows_of(self)


def _rows_of(found: Learning) -> Rows:
    """Return what was learnt, in plain words first; its proof and every number after them; then what would help."""
    rows = [("taught by", rests_on(found.rests_on))]
    if held_back := found.rests_on.get("held_back"):
        told = f"{held_back:g} of {found.rests_on['behind']:g} confirmed causes were held back"
        rows.append(("held back", f"{told}; nothing is said of those: each may be any cause that is not told"))
    if found.not_counted:
        told = told_why(found.not_counted)
        more = "Closed ones of heaters with a healthy reading teach structure all the same"
        lack = "Every heater needs a profile with a healthy reading"
        rows.append(("visits that were not counted", f"{told}. {more if found.visits else lack}."))
    for name, row in (found.learnt.type if found.learnt else {}).items():
        heats = dict.fromkeys(f"{row[key]:g}" for key in ("least_kw", "most_kw"))
        heat = f", {' to '.join(heats)} kW" if row["most_kw"] else ""
        of = "groups of five heaters or more" if found.rests_on.get("tables") else "heaters"
        rows.append(("type", f"{row['heaters']:g} {of}: {load_table('learnt')['type'][name]['label']}{heat}"))
    rows.append(("structure", found.structure))
    rows += _structure_in_words(found)
    rows.append(("frequencies", found.frequencies))
    rows += _causes_in_words(found)
    if found.would_help:
        rows.append(("would help most", f"{', '.join(found.would_help)} at the next visits (combust word NAME)"))
    return rows + _numbers(found)


def _structure_in_words(found: Learning) -> Rows:
    """Return what lies elsewhere than shipped, and what scatters more or less."""
    if not found.learnt:
        return []
    table, shift = load_table("learnt"), {name: row["shift"] for name, row in found.learnt.structure.items()}
    read = {name: row["factor"] for name, row in found.learnt.scatter.items() if not _never_read(found, name)}
    meaning = {name: row["meaning"] for name, row in table["structure"].items()}
    said = {
        "higher than shipped": [meaning[name] for name, value in shift.items() if value >= SHIFTED],
        "lower than shipped": [meaning[name] for name, value in shift.items() if value <= -SHIFTED],
        "scatters more": [table["scatter"][name] for name, value in read.items() if value > 1.0 + MOVED],
        "scatters less": [table["scatter"][name] for name, value in read.items() if value < 1.0 - MOVED],
    }
    return [(name, "; ".join(some)) for name, some in said.items() if some]


def _causes_in_words(found: Learning) -> Rows:
    """Return which causes are met more often than shipped, which less, and where those that nobody met go."""
    if not found.learnt or not (rows := found.learnt.frequency):
        return []
    named = {name: row["factor"] for name, row in rows.items() if row["count"]}
    never = {name: row["factor"] for name, row in rows.items() if not row["count"]}
    not_met = "not named" if found.rests_on.get("held_back") else "never met"
    said = {
        "met more often": _factors(named, more=True),
        "met less often": _factors(named, more=False),
        f"{not_met}, raised": _factors(never, more=True),
        f"{not_met}, lowered": _factors(never, more=False),
        f"{not_met}, kept": ", ".join(label_of(name) for name, factor in never.items() if abs(factor - 1.0) <= MOVED),
    }
    return [(name, text) for name, text in said.items() if text]


def _factors(factors: Mapping[str, float], *, more: bool) -> str:
    """Return the causes that moved one way, those that moved alike together."""
    alike: dict[str, list[str]] = {}
    for name, factor in sorted(factors.items(), key=lambda one: -abs(one[1] - 1.0)):
        if (factor > 1.0 + MOVED) if more else (factor < 1.0 - MOVED):
            alike.setdefault(f"{factor:.2f}", []).append(label_of(name))
    return "; ".join(f"{', '.join(some)}: {factor} times the shipped prior" for factor, some in alike.items())


def _never_read(found: Learning, name: str) -> bool:
    """Return whether a scatter is as shipped because nothing of it was read."""
    row = found.learnt.scatter[name] if found.learnt else {"factor": 1.0}
    return name in found.untold and f"{row['factor']:.2f}" == "1.00"


def _numbers(found: Learning) -> Rows:
    """Return the numbers: the scores, then each row that was learnt."""
    rows: list[tuple[str, str]] = []
    if found.score:
        rows.append(("foretold, heaters left out", _of_score(found.score)))
        unlike = [100.0 * found.score[key] for key in ("unlike_before", "unlike_after")]
        told = f"{unlike[0]:.0f} % of the visits were unlike the expected ones, then {unlike[1]:.0f} %; 5 % is right"
        rows.append(("calibration", told))
    if found.frequency_score:
        told = f"ln score {found.frequency_score['gain']:+.3f} ± {found.frequency_score['gain_u']:.3f}"
        rows.append(("causes, heaters left out", f"{told} a confirmed cause"))
    table = load_table("learnt")
    for name, row in (found.learnt.structure if found.learnt else {}).items():
        told = "" if name not in found.untold else " (the visits tell next to nothing)"
        place = f"{row['shift']:+.2f} standard deviations of the shipped prior, {row['spread']:.2f} as wide"
        rows.append((name, f"{table['structure'][name]['meaning']}: {place}{told}"))
    for name, row in (found.learnt.scatter if found.learnt else {}).items():
        if not _never_read(found, name):
            rows.append((name, f"{table['scatter'][name]}: scatters {row['factor']:.2f} times as far"))
    rows += _counts(found.shares)
    for name, row in (found.learnt.look if found.learnt else {}).items():
        rows.append((name, f"{table['look'][name]}: shows what is not there {row['factor']:.2f} times as often"))
    return rows


def _counts(shares: Mapping[str, Mapping[str, float]]) -> Iterable[tuple[str, str]]:
    for name, row in shares.items():
        if row["count"]:
            ends = f"{100.0 * row['low']:.0f} to {100.0 * row['high']:.0f} % (90 %)"
            yield name, f"{label_of(name)}: {many(int(row['count']), 'time')}, {ends} of what can be confirmed"


def _of_score(score: Mapping[str, float]) -> str:
    """Return the score of the structure before and after, as numbers."""
    told = f"{score['gain']:+.3f} ± {score['gain_u']:.3f} a visit"
    return f"ln score {score['before']:.2f}, then {score['after']:.2f}: {told}"
