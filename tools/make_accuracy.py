"""Write output/accuracy/index.html: every check against the outside, what it covers, and the sweeps of approximations.

python tools/make_accuracy.py            the page; fails when a row fails or a public function has no outside check
python tools/make_accuracy.py --readme   writes the summary table into README.md

The page needs the evidence of a run with --outside-gate (``make accuracy`` runs the outside checks first).
"""

from __future__ import annotations

import functools
import json
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2

HERE = Path(__file__).parent
ROOT = HERE.parent
sys.path.insert(0, str(ROOT))

from combust import __version__  # noqa: E402
from combust.edge.figures.style import GREY, INK, LINE, MARK, THIRD, legend, sheet, svg_text  # noqa: E402
from tests.approximate_forms import SWEEPS, ApproximateForm, forms  # noqa: E402
from tests.outside_calls import EVIDENCE  # noqa: E402
from tests.source_rows import KINDS, SourceRow, rows_of_tests  # noqa: E402

OUT = ROOT / "output" / "accuracy"
MARKS = ("<!-- accuracy: written by tools/make_accuracy.py -->", "<!-- end of accuracy -->")
NAMES = {"published": "published, read", "memory": "published, from memory", "practice": "common practice"}
TONES = (LINE, MARK, INK, THIRD, GREY)
DASHES = ("-", "--", "-.", ":")


@dataclass(frozen=True)
class Line:
    """A row as it stands on the page."""

    topic: str
    row: SourceRow
    ours: float

    @property
    def difference(self) -> float:
        """Ours less the printed value."""
        return self.ours - self.row.expected

    @property
    def used(self) -> float:
        """Share of the tolerance that the difference takes up."""
        return abs(self.difference) / self.row.allowed

    @property
    def passed(self) -> bool:
        """The same rule as in the test."""
        return self.used <= 1.0 + 1e-9


def name_of(kind: str) -> str:
    """Return the words for a kind."""
    return NAMES.get(kind, kind)


def topic_of(module: str) -> str:
    """Return a heading for a test module: ``tests.kernel.test_air`` gives "kernel: air"."""
    parts = module.removeprefix("tests.").split(".")
    last = parts.pop().removeprefix("test_").replace("_", " ")
    return f"{' '.join(parts)}: {last}" if parts else last


def lines() -> list[Line]:
    """Return every row of the suite, worked now."""
    return [Line(topic_of(module), row, float(row.compute())) for module, row in rows_of_tests()]


def summary(rows: list[SourceRow]) -> str:
    """Return the table of the README."""
    count = Counter(row.kind for row in rows)
    sources = {kind: len({row.source for row in rows if row.kind == kind}) for kind in KINDS}
    body = [
        f"| {name_of(kind)} | {count[kind]} | {sources[kind]} | {proves} |"
        for kind, proves in KINDS.items()
        if count[kind]
    ]
    total = f"| all | {sum(count.values())} | {sum(sources.values())} | each with its source beside it in `tests/` |"
    return "\n".join(["| kind of check | numbers | sources | what it proves |", "|---|---|---|---|", *body, total])


def write_readme(text: str) -> None:
    """Put the summary between the marks of the README."""
    readme = ROOT / "README.md"
    before, _, rest = readme.read_text(encoding="utf-8").partition(MARKS[0])
    after = rest.partition(MARKS[1])[2]
    readme.write_text(f"{before}{MARKS[0]}\n{text}\n{MARKS[1]}{after}", encoding="utf-8")


@functools.cache
def draw(form: ApproximateForm) -> str:
    """Return the sweep of one form as SVG: its curves, the band, and the largest errors of the record."""
    curves = list(SWEEPS[form.name]())
    named = len(curves) if 1 < len(curves) <= 12 else 0
    columns = 2 if all(len(label) < 27 for label, *_ in curves) else 1
    figure, plot = sheet(size=(5.2, 2.7 + 0.16 * named / columns))
    for number, (label, where, error) in enumerate(curves):
        marks = {"marker": "o", "linestyle": "none", "markersize": 3} if form.name == "heat_from_formula" else {}
        look = {"color": TONES[number % len(TONES)], "linestyle": DASHES[number // len(TONES) % 4], "linewidth": 1}
        plot.plot(where, error, label=label, **{**look, **marks})
    for edge in form.error:
        plot.axhline(edge, color=INK, linewidth=0.6, linestyle=(0, (1, 2)))
    if form.band[0] >= 1.0 and form.band[1] > 100 * form.band[0]:
        plot.set_xscale("log")
    plot.set(xlabel=f"{form.of} ({form.unit})".replace(" (-)", ""), ylabel=f"error ({form.error_unit})")
    if named:
        legend(figure, loc="outside lower center", ncols=columns)
    svg = svg_text(figure)
    alt = f"Error of {form.form} against {form.exact}: {form.error[0]:g} to {form.error[1]:g} {form.error_unit}"
    return svg[svg.index("<svg") :].replace("<svg", f'<svg role="img" aria-label="{alt}"', 1)


def functions(evidence: dict[str, Any]) -> list[tuple[str, dict[str, int], str]]:
    """Return (public function, kind -> number of tests that call it, reason when it holds no number)."""
    found = []
    for name in evidence["functions"]:
        kinds = {kind: len(set(tests)) for kind, tests in evidence["calls"].get(name, {}).items()}
        found.append((name, kinds, evidence["bookkeeping"].get(name, "")))
    return found


def other_checks(evidence: dict[str, Any]) -> dict[str, list[tuple[str, str, int]]]:
    """Return topic -> (what the test says, kinds, cases): the outside checks that are more than one number."""
    found: dict[str, Counter[tuple[str, str]]] = {}
    for node, test in evidence["tests"].items():
        if test["row"]:
            continue
        path, _, name = node.partition("::")
        words = test["says"] or name.partition("[")[0].removeprefix("test_").replace("_", " ")
        module = path.removesuffix(".py").replace("/", ".")
        kinds = ", ".join(name_of(kind) for kind in test["kinds"])
        found.setdefault(topic_of(module), Counter())[(words, kinds)] += 1
    return {topic: [(*key, count) for key, count in told.items()] for topic, told in sorted(found.items())}


def page(told: list[Line], evidence: dict[str, Any]) -> str:
    """Return the page."""
    topics: dict[str, list[Line]] = {}
    for line in told:
        topics.setdefault(line.topic, []).append(line)
    kinds = {kind: [line for line in told if line.row.kind == kind] for kind in KINDS}
    loader = jinja2.FileSystemLoader(HERE)
    template = jinja2.Environment(loader=loader, autoescape=True, trim_blocks=True).get_template("accuracy.html.j2")
    return template.render(
        version=__version__,
        kinds=kinds,
        proves=KINDS,
        name_of=name_of,
        topics=topics,
        total=len(told),
        failed=[line for line in told if not line.passed],
        forms=[(form, draw(form)) for form in forms().values()],
        functions=functions(evidence),
        other=other_checks(evidence),
        failed_tests=sorted(node for node, test in evidence["tests"].items() if not test["passed"]),
    )


def main() -> None:
    """Write the page or the README's table; exit 1 when a row fails or a public function stands bare."""
    if "--readme" in sys.argv[1:]:
        write_readme(summary([row for _, row in rows_of_tests()]))
        return
    if not EVIDENCE.exists():
        sys.exit(f"{EVIDENCE.relative_to(ROOT)} is missing. Run: make accuracy")
    evidence = json.loads(EVIDENCE.read_text(encoding="utf-8"))
    told = lines()
    OUT.mkdir(parents=True, exist_ok=True)
    (OUT / "index.html").write_text(page(told, evidence), encoding="utf-8")
    failed = [line.row.quantity for line in told if not line.passed]
    bare = [name for name, kinds, reason in functions(evidence) if not kinds and not reason]
    count = Counter(line.row.kind for line in told)
    print(f"{len(told)} numbers checked ({', '.join(f'{n} {name_of(k)}' for k, n in count.most_common())}), "
          f"{len(failed)} outside their tolerance.")  # fmt: skip
    print(
        f"{len(evidence['functions'])} public functions, {len(bare)} without an outside check. Page: {OUT / 'index.html'}"
    )
    if failed or bare:
        sys.exit("\n".join(["Fails:", *failed, *bare]))


if __name__ == "__main__":
    main()
