"""What a logbook teaches, on the foreign simulator: fleets that teach, other heaters of the same physics judged.

``python -m tests.simulator.learning_table --fleets 20`` prints a line for each condition and evidence set. Judged as in
the foreign study: wrong and confident is a wrong top cause with 0.9 or more, unless no cause was said to fit.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np

from combust.application.causes.catalogue import get_priors
from combust.application.causes.rank import rank_visits
from combust.application.learning.frequencies import confirmable, shares_of
from combust.application.learning.learn import learn
from combust.application.learning.learnt import Learnt, with_learnt
from combust.domain.heater import Heater
from tests.application.learning.test_learnt import BOOK
from tests.simulator.conditions import CONDITIONS, SETS
from tests.simulator.faults import CAUSES
from tests.simulator.fleets import groups_of, lessons_of
from tests.simulator.foreign import heater_of, profile_of
from tests.simulator.judge import told
from tests.simulator.store import accepted
from tests.simulator.table import CONFIDENT, seen
from tests.simulator.visits import visits

STUDIED = ("radiation_15", "radiation_30", "casing_10", "bent_curve", "standard")
BUILT_WITH = 9001  # seed of the fleets that were looked at while this was built: never one of those that are judged
FIRST_SEED = 70100
OTHERS = 500  # first of the heaters that are judged


def judged(groups, condition, evidence, priors):
    """The answers to visits of some heaters: right, confident, share of the truth, all shares."""
    knobs, found = CONDITIONS[condition], []
    for one in groups:
        heater = Heater.from_dict(one["profile"])
        cases = [seen(case, evidence, knobs.repeats) for case in one["visits"]]
        for truth, result in zip(one["truths"], rank_visits(heater, cases, pairs=False, causes=priors), strict=True):
            answer = told(result)
            names, shares = accepted(truth, knobs, evidence != SETS[0]), dict(answer["causes"])
            top, stated = answer["causes"][0]
            sure = stated >= CONFIDENT and not answer["misfit"]
            found.append((top in names, sure, sum(shares.get(name, 0.0) for name in names), shares))
    return found


def distance(ours, theirs):
    """Mean total variation between two answers."""
    apart = [
        0.5 * sum(abs(a[3].get(name, 0.0) - b[3].get(name, 0.0)) for name in {*a[3], *b[3]})
        for a, b in zip(ours, theirs, strict=True)
    ]
    return float(np.mean(apart))


def one_fleet(condition, evidence, seed, options):
    """One fleet that teaches and others that are judged before and after; and what it cost."""
    teachers = groups_of(condition, seed, 0, options.heaters, options.visits)
    others = groups_of(condition, seed, OTHERS, options.others, options.judged)
    lessons = lessons_of(condition, evidence, seed, groups=teachers)
    start = time.process_time()
    found = learn(lessons)
    cost = time.process_time() - start
    start = time.process_time()
    judged(teachers, condition, evidence, get_priors())
    usual = time.process_time() - start
    before = judged(others, condition, evidence, get_priors())
    priors = with_learnt(get_priors(), found.learnt) if found.learnt else None
    after = judged(others, condition, evidence, priors) if priors else before
    return before, after, found.learnt is not None, cost / usual


def with_labels(seed, options, evidence=SETS[0], labels=300, wrong=0.1):
    """Visits of a fleet with causes of its own, judged by shipped shares, by labels, by labels some of them wrong."""
    generator, knobs, priors = np.random.default_rng(seed), CONDITIONS["standard"], get_priors()
    names = [name for name in confirmable(priors) if name in CAUSES]
    true = generator.dirichlet(np.ones(len(names)))
    label = generator.choice(len(names), labels, p=true)
    moved = (label + generator.integers(1, len(names), labels)) % len(names)
    mistaken = np.where(generator.random(labels) < wrong, moved, label)
    believed = [priors]
    for some in (label, mistaken):
        counts = {name: int(np.sum(some == place)) for place, name in enumerate(names)}
        believed.append(with_learnt(priors, Learnt(BOOK, frequency=shares_of(counts, priors).to_dict())))
    groups = []
    for index in range(OTHERS, OTHERS + options.others):
        heater, rng, own = heater_of(knobs, seed, index)
        profile = profile_of(knobs, heater, seed, index, rng, own)
        healthy = generator.random(options.judged) < priors.shares["healthy"]
        drawn = [names[place] for place in generator.choice(len(names), options.judged, p=true)]
        truths = [("healthy",) if well else (name,) for well, name in zip(healthy, drawn, strict=True)]
        groups.append({"profile": profile, "truths": truths, "visits": visits(heater, truths, rng, cell=own)})
    return [judged(groups, "standard", evidence, one) for one in believed]


def one_size(heaters, visits, evidence):
    """Seconds of learning from so many heaters over those of ranking their visits, and the most memory, in MB."""
    teachers = groups_of("standard", FIRST_SEED, 0, heaters, visits)
    lessons = lessons_of("standard", evidence, FIRST_SEED, groups=teachers)
    start = time.process_time()
    judged(teachers, "standard", evidence, get_priors())
    middle = time.process_time()
    learn(lessons)
    end = time.process_time()
    return middle - start, end - middle, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def growth(options):
    """A line for each size of fleet: what learning costs, each in a process of its own."""
    for evidence in options.sets:
        for heaters in (5, 10, 20, 40, 80):
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
                ranked, learnt, most = pool.submit(one_size, heaters, options.visits, evidence).result()
            count = heaters * options.visits
            each = f"{1000.0 * learnt / count:.0f} ms a visit, {learnt / ranked:.2f} passes"
            print(f"{evidence:<13}{count:>5} visits: {each}, {most:.0f} MB", flush=True)


def summary(rows):
    """Top cause, confident and wrong, mean ln p of the truth."""
    right, sure = np.array([one[0] for one in rows]), np.array([one[1] for one in rows])
    log = np.mean(np.log(np.maximum([one[2] for one in rows], 1e-4)))
    return float(right.mean()), int((sure & ~right).sum()), int(sure.sum()), float(log)


def main(arguments=None):
    parser = argparse.ArgumentParser(prog="python -m tests.simulator.learning_table", description=__doc__)
    add = parser.add_argument
    add("--conditions", nargs="*", default=list(STUDIED))
    add("--sets", nargs="*", default=list(SETS))
    add("--fleets", type=int, default=20)
    add("--heaters", type=int, default=10, help="heaters that teach")
    add("--visits", type=int, default=4, help="visits of each")
    add("--others", type=int, default=12, help="other heaters that are judged")
    add("--judged", type=int, default=10, help="visits of each")
    add("--seed", type=int, default=FIRST_SEED)
    add("--labels", type=int, default=0, help="fleets of which 300 causes were confirmed, a tenth of them wrongly")
    add("--growth", action="store_true", help="what learning costs with more and more visits, and nothing else")
    options = parser.parse_args(arguments)
    if options.growth:
        growth(options)
        return
    print(
        "condition, evidence, fleets: top before > after; wrong of sure before > after; ln p; used; passes", flush=True
    )
    for number in range(options.labels):
        found = with_labels(options.seed + number, options)
        for what, rows in zip(("shipped", "labels", "a tenth wrong"), found, strict=True):
            top, wrong, sure, log = summary(rows)
            print(f"fleet {number}, {what:<14} {len(rows)} visits: top {top:.3f}; wrong {wrong}/{sure}; ln p {log:.3f}")
    for evidence in options.sets:
        for condition in options.conditions:
            fleets = [
                one_fleet(condition, evidence, options.seed + number, options) for number in range(options.fleets)
            ]
            before, after = ([row for fleet in fleets for row in fleet[side]] for side in (0, 1))
            (top, wrong, sure, log), (top_after, wrong_after, sure_after, log_after) = summary(before), summary(after)
            used, passes = sum(fleet[2] for fleet in fleets), np.mean([fleet[3] for fleet in fleets])
            rows = f"{condition:<14}{evidence:<13}{len(before):>5} visits"
            share = f"top {top:.3f} > {top_after:.3f}; wrong {wrong}/{sure} > {wrong_after}/{sure_after}"
            more = f"ln p {log:.3f} > {log_after:.3f}; apart {distance(before, after):.3f}"
            print(f"{rows}: {share}; {more}; used {used}/{len(fleets)}; {passes:.1f} passes", flush=True)


if __name__ == "__main__":
    sys.exit(main())
