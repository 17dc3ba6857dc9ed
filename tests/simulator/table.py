"""The foreign study as one table: what an engine says with confidence where nature differs from its model.

``python -m tests.simulator.table --quick`` for a loop of work, ``--help`` for the rest. Visits are drawn once and kept
in a store on disk; an engine is any folder with the package and its own ``.venv``; its answers are kept as well, under
a hash of its sources.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import combinations
from multiprocessing import get_context

import numpy as np

from tests.simulator.columns import CHECKS, CONTEXT, GAS, TEMPERATURES, WORKSHOP
from tests.simulator.conditions import BASELINE_HYPOTHESES, CONDITIONS, QUICK, SETS, kept_aside
from tests.simulator.engine import HERE, Engine
from tests.simulator.faults import HEATER_FAULTS
from tests.simulator.foreign import STANDARD_SEED, heater_of, profile_of
from tests.simulator.judge import NOT_FAULTS
from tests.simulator.store import accepted, group, turned
from tests.simulator.visits import PLANS, visits

CONFIDENT = 0.9
FULL = (*GAS, *TEMPERATURES, *WORKSHOP, *CHECKS["blower_speed"])
MARGIN, MOST_ACCUSED, MOST_MISFIT, MOST_CALIBRATION = 0.03, 0.05, 0.07, 0.05
ENOUGH = 480  # fewer visits settle no calibration
LONGEST = 60.0  # minutes of a way that ends wrong or not at all


# ---- what an engine is given ----------------------------------------------------------------------------------------
def seen(visit, evidence, repeats):
    """The rows of a visit with the columns of an evidence set; the full set has a CO2 cell of its own."""
    columns = FULL if evidence == "full" else (*GAS, *TEMPERATURES)
    rows = []
    for row in visit[:repeats]:
        kept = {key: value for key, value in row.items() if key in CONTEXT or key in columns}
        if evidence == "full":
            kept |= {"co2_dry_pct": row["co2_measured_pct"], "co2_origin": "measured"}
        rows.append(kept)
    return rows


def as_drawn(visit):
    """All rows and columns of a visit, without the second CO2."""
    return [{key: value for key, value in row.items() if key != "co2_measured_pct"} for row in visit]


# ---- one condition --------------------------------------------------------------------------------------------------
class Judged:
    """One visit with its answer: what was right, what was said."""

    def __init__(self, heater, truth, right_names, answer):
        self.heater, self.truth, self.answer, self.right_names = heater, truth, answer, right_names
        self.causes = dict(answer["causes"])
        self.top, self.stated = answer["causes"][0]
        self.misfit = answer["misfit"]
        self.right = self.top in right_names
        self.confident = self.stated >= CONFIDENT and not self.misfit
        self.share_of_truth = sum(self.causes.get(name, 0.0) for name in right_names)
        accused = max((share for name, share in self.causes.items() if name not in NOT_FAULTS), default=0.0)
        self.accused = accused >= 0.5 and not self.misfit

    @property
    def baseline_beside_top(self):
        """A baseline hypothesis leads or stands in a set with the leading cause."""
        sets = [{self.top}, *(set(names) for names in self.answer["sets"])]
        return any(self.top in names and names & set(BASELINE_HYPOTHESES) for names in sets)


def draw(arguments):
    """One heater of a condition into the store (in a process of its own)."""
    return group(*arguments)


def judged(engine, store, name, knobs, evidence, options, pool):
    """Drawn visits and healthy ones of a condition, judged by an engine."""
    jobs = [(store, name, knobs, options.seed, index) for index in range(options.heaters)]
    drawn = list(pool.map(draw, jobs))
    key = drawn[0][0]
    how = {"pairs": options.pairs, "next_checks": evidence in knobs.aliased or options.next_checks}
    found = []
    for part, count in (("visits", options.visits), ("healthy", options.healthy)):
        groups = {
            str(one["heater"]): {
                "profile": one["profile"],
                "visits": [seen(case, evidence, knobs.repeats) for case in one[part][:count]],
            }
            for _, one in drawn
        }
        answers = engine.answers(f"{name}-{key}-{part}-{evidence}", groups, how) if count else {}
        rows = []
        for _, one in drawn:
            truths = one["truths"] if part == "visits" else [("healthy",)] * count
            for truth, answer in zip(truths, answers.get(str(one["heater"]), []), strict=False):
                rows.append(Judged(one["heater"], truth, accepted(truth, knobs, evidence == "full"), answer))
        found.append(rows)
    return found


def lower_end(rows):
    """Lower end of the 95 % interval of the wrong share among confident answers, heaters drawn again and again."""
    heaters = sorted({one.heater for one in rows})
    wrong = np.array([sum(not one.right for one in rows if one.heater == name) for name in heaters])
    whole = np.array([sum(one.heater == name for one in rows) for name in heaters])
    chosen = np.random.default_rng(0).integers(0, len(heaters), (2000, len(heaters)))
    return float(np.quantile(wrong[chosen].sum(axis=1) / whole[chosen].sum(axis=1), 0.025))


def calibration_error(rows):
    """Mean |stated - right| over ten equal bins of the top probability."""
    stated, right = np.array([one.stated for one in rows]), np.array([one.right for one in rows])
    bins = np.minimum((stated * 10).astype(int), 9)
    return float(sum(abs(np.sum(stated[bins == b]) - np.sum(right[bins == b])) for b in range(10)) / len(rows))


def summary(rows, healthy):
    """The numbers of one row of the table."""
    sure = [one for one in rows if one.confident]
    every_healthy = [*healthy, *(one for one in rows if one.truth == ["healthy"])]
    mean = lambda values: float(np.mean(values)) if len(values) else float("nan")  # noqa: E731
    return {
        "visits": len(rows),
        "confident": len(sure) / len(rows),
        "sure": len(sure),
        "wrong": mean([not one.right for one in sure]),
        "doubt": mean([1.0 - one.stated for one in sure]),
        "low": lower_end(sure) if sure else float("nan"),
        "healthy": len(every_healthy),
        "accused": mean([one.accused for one in every_healthy]),
        "misfit": mean([one.misfit for one in rows]),
        "top": mean([one.right for one in rows]),
        "log": mean(np.log(np.maximum([one.share_of_truth for one in rows], 1e-4))),
        "calibration": calibration_error(rows),
        "beside": mean([one.baseline_beside_top for one in every_healthy]),
        "beside_all": mean(
            [one.baseline_beside_top or (one.right and one.truth != ["healthy"]) for one in [*rows, *healthy]]
        ),
        "checks": mean([bool(one.answer["checks"]) for one in every_healthy if one.baseline_beside_top]),
    }


HEADER = (
    f"{'condition':<22}{'evidence':<14}{'visits':>7}{'sure %':>8}{'wrong %':>8}{'doubt %':>8}{'low end':>8}"
    f"{'healthy':>8}{'accused':>8}{'misfit':>7}{'top':>7}{'ln p':>7}{'calib':>7}  verdict"
)


def line(name, evidence, numbers, verdict):
    per = lambda key: f"{100.0 * numbers[key]:.1f}"  # noqa: E731
    return (
        f"{name:<22}{evidence:<14}{numbers['visits']:>7}{per('confident'):>8}{per('wrong'):>8}{per('doubt'):>8}"
        f"{per('low'):>8}{numbers['healthy']:>8}{per('accused'):>8}{per('misfit'):>7}{numbers['top']:>7.3f}"
        f"{numbers['log']:>7.2f}{numbers['calibration']:>7.3f}  {verdict}"
    )


def verdict_of(name, knobs, evidence, numbers):
    """What a row owes, each with ``ok`` or ``FAILS``."""
    aliased = evidence in knobs.aliased
    told = []

    def owed(what, kept):
        told.append(f"{what} {'ok' if kept else 'FAILS'}")

    if aliased:
        owed(f"beside {numbers['beside']:.2f} (all {numbers['beside_all']:.2f})", numbers["beside"] >= 0.9)
        owed(f"with a check {numbers['checks']:.2f}", numbers["checks"] >= 0.9)
    else:
        owed("confident", not numbers["sure"] or numbers["low"] <= numbers["doubt"] + MARGIN)
        owed("accused", numbers["accused"] <= MOST_ACCUSED)
    enough = numbers["visits"] >= ENOUGH
    if name.endswith("standard"):
        owed("misfit", numbers["misfit"] <= MOST_MISFIT)
        if enough:
            owed("calibration", numbers["calibration"] <= MOST_CALIBRATION)
    if name == "no_flue_baseline":
        owed("top", numbers["top"] >= (0.65 if evidence == "full" else 0.35))
        if enough:
            owed("calibration", numbers["calibration"] <= 0.08)
    return ", ".join(told)


# ---- what is asked of the standard condition ------------------------------------------------------------------------
def paired(ours, theirs, label):
    """Differences of top cause and ln p on the same visits, with intervals over heaters."""
    heaters = np.array([one.heater for one in ours])
    names = np.unique(heaters)
    chosen = np.random.default_rng(0).integers(0, len(names), (2000, len(names)))
    out = []
    for what, value in (
        ("top", lambda one: float(one.right)),
        ("ln p", lambda one: float(np.log(max(one.share_of_truth, 1e-4)))),
    ):
        gained = np.array([value(a) - value(b) for a, b in zip(ours, theirs, strict=True)])
        sums = np.array([gained[heaters == name].sum() for name in names])
        counts = np.array([np.sum(heaters == name) for name in names])
        again = sums[chosen].sum(axis=1) / counts[chosen].sum(axis=1)
        low, high = np.quantile(again, [0.025, 0.975])
        out.append(f"{what} {gained.mean():+.4f} ({low:+.4f} to {high:+.4f})")
    return f"paired, {label}, {len(ours)} visits: " + ", ".join(out)


def by_truth(ours, theirs):
    """Loss or gain of each true cause in the mean over all visits, the largest first."""
    rows = {}
    for a, b in zip(ours, theirs, strict=True):
        gained = np.log(max(a.share_of_truth, 1e-4)) - np.log(max(b.share_of_truth, 1e-4))
        rows.setdefault(a.truth[0], []).append((float(a.right) - float(b.right), gained))
    told = sorted(rows.items(), key=lambda item: sum(one[1] for one in item[1]))
    return "; ".join(
        f"{name} top {np.mean([one[0] for one in some]):+.3f} ln p {np.mean([one[1] for one in some]):+.2f}"
        for name, some in told
    )


def doubles(engine, options):
    """Share of visits with two heater faults, full evidence, whose faults are both in the first three."""
    every = combinations([*HEATER_FAULTS, "fuel_other"], 2)
    pairs = [pair for pair in every if set(pair) != {"fuel_over", "fuel_under"}]
    knobs = CONDITIONS["standard"]
    groups, truths = {}, []
    for index in range(options.doubles):
        heater, rng, own = heater_of(knobs, options.seed, index)
        told = profile_of(knobs, heater, options.seed, index, rng, own)
        names = [pairs[place] for place in own.choice(len(pairs), 4, replace=False)]
        cases = visits(heater, names, rng, plans=PLANS[:1], cell=own)
        groups[str(index)] = {"profile": told, "visits": [seen(case, "full", 1) for case in cases]}
        truths += names
    answers = engine.answers(f"doubles-{options.seed}", groups, {"pairs": True, "next_checks": False})
    flat = [one for name in groups for one in answers[name]]
    both = np.mean([set(truth) <= set(one["marginal"]) for truth, one in zip(truths, flat, strict=True)])
    return f"two faults, full, {len(flat)} visits: both in the first three {both:.3f} (0.9 is owed)"


def ways(engine, other, store, options, pool):
    """Expected minutes to a right answer at 0.9 on standard visits: wrong or unfinished ones count 60."""
    jobs = [(store, "standard", CONDITIONS["standard"], options.seed, i) for i in range(options.heaters)]
    drawn = list(pool.map(draw, jobs))
    groups = {
        str(one["heater"]): {"profile": one["profile"], "visits": [as_drawn(case) for case in one["visits"]]}
        for _, one in drawn
    }
    for one in groups.values():
        one["visits"] = one["visits"][: options.ways]
    truths = [truth for _, one in drawn for truth in one["truths"][: options.ways]]
    told, by_engine = [], []
    for one in filter(None, (engine, other)):
        answers = one.answers(f"ways-{drawn[0][0]}", groups, {}, ways=True)
        by_engine.append([way for name in groups for way in answers[name]])
    at_once = [any(way["stopped"] and not way["checks"] for way in some) for some in zip(*by_engine, strict=True)]
    means = []
    for one, some in zip(("this engine", "the other"), by_engine, strict=False):
        kept = [(way, truth) for way, truth, stop in zip(some, truths, at_once, strict=True) if not stop]
        right = np.array([way["certain"] and way["top"] in truth for way, truth in kept])
        minutes = np.where(right, [min(way["minutes"], LONGEST) for way, _ in kept], LONGEST)
        unfinished = np.mean([not way["certain"] for way, _ in kept])
        means.append(minutes.mean())
        told.append(
            f"minutes to a right answer at 0.9, {one}: {minutes.mean():.1f} over {len(kept)} visits "
            f"(right {right.mean():.3f}, unfinished {unfinished:.3f}, wrong {1.0 - right.mean() - unfinished:.3f})"
        )
    if len(means) == 2:
        told.append(f"minutes over the other's: {means[0] / means[1]:.3f} (0.75 is owed)")
    return told


# ---- the command ----------------------------------------------------------------------------------------------------
def options_of(arguments):
    parser = argparse.ArgumentParser(prog="python -m tests.simulator.table", description=__doc__.splitlines()[0])
    add = parser.add_argument
    add("--conditions", nargs="*", help="names, or 'all' (default); --list shows them")
    add("--sets", nargs="*", default=list(SETS), choices=SETS)
    add("--heaters", type=int, default=24)
    add("--visits", type=int, default=20, help="drawn visits of each heater, at most 100")
    add("--healthy", type=int, default=10, help="more healthy visits of each heater, at most 40")
    add("--seed", type=int, default=STANDARD_SEED)
    add("--engine", default=str(HERE), help="folder of the package that is judged, with its own .venv")
    add("--against", help="folder of another package: paired differences on the standard visits")
    add("--paired-visits", type=int, default=0, help="visits of each heater for the pairs (default: --visits)")
    add("--ways", type=int, default=0, help="visits of each heater followed to certainty by the proposed checks")
    add("--doubles", type=int, default=0, help="heaters with four visits of two faults each")
    add("--pairs", action="store_true", help="also weigh two causes at once, as the command does")
    add("--next-checks", action="store_true", help="also propose checks (aliased conditions always do)")
    add("--store", default=str(HERE / "output" / "study"), help="where visits and answers are kept")
    add("--jobs", type=int, default=2)
    add("--quick", action="store_true", help=f"{', '.join(QUICK)}; 8 heaters, 12 visits, 12 healthy ones")
    add("--kept-aside", nargs="?", const="new", choices=("new", "seen"), help="kept aside: run once, at the end")
    add("--list", action="store_true")
    options = parser.parse_args(arguments)
    if options.quick:
        options.heaters, options.visits, options.healthy = 8, 12, 12
        options.conditions = options.conditions or list(QUICK)
    return options


def main(arguments=None):
    options = options_of(arguments)
    conditions = CONDITIONS
    if options.kept_aside:
        options.seed, conditions = kept_aside(options.kept_aside)
    if options.list:
        print("\n".join(f"{name}: {turned(knobs)}" for name, knobs in conditions.items()))
        return
    chosen = options.conditions if options.conditions and options.conditions != ["all"] else list(conditions)
    engine = Engine(options.engine, options.store, options.jobs)
    other = Engine(options.against, options.store, options.jobs) if options.against else None
    print(f"engine {options.engine} ({engine.name}), seed {options.seed}, {options.heaters} heaters", flush=True)
    print(HEADER, flush=True)
    with ProcessPoolExecutor(options.jobs, mp_context=get_context("spawn")) as pool:
        table(engine, conditions, chosen, options, pool)
        if other is not None:
            compare(engine, other, options, pool)
        if options.doubles:
            print(doubles(engine, options), flush=True)
        if options.ways:
            print("\n".join(ways(engine, other, options.store, options, pool)), flush=True)
    for one in filter(None, (engine, other)):
        one.close()


def table(engine, conditions, chosen, options, pool):
    """Print one row for each condition and evidence set, and one over all of them."""
    everything, all_healthy, seconds = [], [], []
    for name in chosen:
        for evidence in options.sets:
            knobs = conditions[name]
            rows, healthy = judged(engine, options.store, name, knobs, evidence, options, pool)
            numbers = summary(rows, healthy)
            print(line(name, evidence, numbers, verdict_of(name, knobs, evidence, numbers)), flush=True)
            everything += rows
            if evidence not in knobs.aliased:
                all_healthy += healthy
            seconds += [one.answer["seconds"] for one in rows]
    numbers = summary(everything, all_healthy)
    kept = not numbers["sure"] or numbers["wrong"] <= numbers["doubt"] + MARGIN
    print(line("all together", ",".join(options.sets)[:13], numbers, f"confident {'ok' if kept else 'FAILS'}"))
    print(f"processor time of a visit: median {1e3 * np.median(seconds):.0f} ms", flush=True)


def compare(engine, other, options, pool):
    """Print the paired differences of two engines on the standard visits."""
    options = argparse.Namespace(**vars(options))
    options.visits, options.healthy = options.paired_visits or options.visits, 0
    both = ([], [])
    for evidence in options.sets:
        rows = [
            judged(one, options.store, "standard", CONDITIONS["standard"], evidence, options, pool)[0]
            for one in (engine, other)
        ]
        print(paired(*rows, evidence))
        for kept, some in zip(both, rows, strict=True):
            kept += some
    print(paired(*both, "all sets"))
    watched = [[one for one in rows if one.truth != ["not_steady"]] for rows in both]
    print(paired(*watched, "without the visits that were not steady (nobody watched them)"))
    print("by true cause: " + by_truth(*both), flush=True)


if __name__ == "__main__":
    sys.exit(main())
