"""The text of a lesson, read from the one source that its notebook is made of too.

A source is Markdown with code cells. A page shows the text; of a code cell it takes the literals that say what stands
there: the table of inputs, the demonstration, the card, the exercise, the control. No code of it is run.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from combust.application.lessons.predictions import lesson_numbers
from combust.data.errors import CombustError, Fault
from combust.edge.demo_data import folder_with

FIRST = "10_air_sweep.md"
FENCE = re.compile(r"^```python\n(.*?)^```$", re.M | re.S)
MARKED = re.compile(r"\*\*(.+?)\*\*|\*(.+?)\*")


@dataclass(frozen=True, slots=True)
class Block:
    """A piece of a section: ``text`` (kind p, quote, ul, ol) in runs, or what a code cell names.

    Attributes
    ----------
    kind : str
        ``p``, ``quote``, ``ul``, ``ol``, ``inputs``, ``demonstration``, ``card``.
    items : tuple of tuple of (str, str)
        Of text: paragraphs or items, each in runs of (mark, words); the mark is ``strong``, ``em`` or "".
    name : str
        Of what a cell names.
    """

    kind: str
    items: tuple[tuple[tuple[str, str], ...], ...] = ()
    name: str = ""


@dataclass(frozen=True, slots=True)
class Control:
    """What is moved: its words, the function that draws, where the numbers come from, and a slider or a choice.

    A slider has its ends, step and start; a choice has ``options`` of (words, value), the first one shown first.
    """

    draw: str
    label: str
    source: str
    low: float = 0.0
    high: float = 0.0
    step: float = 0.0
    start: float = 0.0
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Opening:
    """How a source begins.

    Attributes
    ----------
    number, title, goal, audience : str
    minutes : int
    before : str
        What has to be known before: the first sentence of "Before you start".
    """

    number: str
    title: str
    goal: str
    audience: str
    minutes: int
    before: str


@dataclass(frozen=True, slots=True)
class Lesson(Opening):
    """One lesson as its source tells it.

    Attributes
    ----------
    sections : tuple of (str, tuple of Block)
    inputs : tuple of (symbol, meaning, value, unit, source)
    control : Control
    exercise, seed
        Kind of the exercise, and the seed of its numbers.
    """

    sections: tuple[tuple[str, tuple[Block, ...]], ...]
    inputs: tuple[tuple[str, str, Any, str, str], ...]
    control: Control
    exercise: str
    seed: int

    @property
    def given(self) -> dict[str, Any]:
        """The inputs, symbol -> value."""
        return {symbol: value for symbol, _, value, _, _ in self.inputs}

    def section(self, title: str) -> tuple[Block, ...]:
        """Return the blocks of a section, none where it has none."""
        return dict(self.sections).get(title, ())


def lesson_sources() -> Path:
    """Return the folder of the sources: the clone's, or the one a package carries.

    Raises
    ------
    CombustError
        Neither is there.
    """
    root = Path(__file__).parents
    return folder_with(FIRST, [root[2] / "notebooks" / "sources", root[1] / "lesson_sources"], "lessons")


@lru_cache(maxsize=32)
def read_lesson(number: str) -> Lesson:
    """Return a lesson by its number.

    Raises
    ------
    CombustError
        There is no such lesson.
    """
    found = sorted(lesson_sources().glob(f"{number}_*.md")) if number in lesson_numbers() else []
    if not found:
        raise CombustError(Fault("lesson", number, "unknown_name", why="is not there", hint="Take one of the list."))
    return parsed(number, found[0].read_text(encoding="utf-8"))


def opening_of(source: str) -> Opening:
    """Return how a source begins: its title, its goal, for whom, how long, and what has to be known before.

    Raises
    ------
    ValueError
        The source has no such opening.
    """
    head = re.match(r"# (\d\d) · (.+)\n", source)
    goal, audience = re.search(r"^(\*\*After .+)$", source, re.M), re.search(r"^\*(For .+)\*$", source, re.M)
    before = re.search(r"^## Before you start\n\n(.+?)(?:(?<=\.)\s|\n\n)", source, re.M | re.S)
    minutes = audience and re.search(r"(\d+) minutes", audience[1])
    if not (head and goal and audience and before and minutes):
        raise ValueError(
            f"{source.splitlines()[0]}: a title, a goal, a reader, minutes or what comes before is missing"
        )
    return Opening(
        head[1],
        head[2].strip(),
        "".join(words for _, words in runs(goal[1])),
        audience[1].partition("·")[0].strip(),
        int(minutes[1]),
        "".join(words for _, words in runs(" ".join(before[1].split()))),
    )


def parsed(number: str, source: str) -> Lesson:
    """Return a lesson from the text of its source."""
    opening = opening_of(source)
    head, *rest = re.split(r"^## (?=\S)", source, flags=re.M)
    # the caution stands above the sections in a source; a page tells it with them
    cautions = tuple(block for block in blocks(head.partition("\n")[2]) if block.kind == "quote")
    calls = {name: call for cell in FENCE.findall(source) for name, call in calls_of(cell)}
    sections = [(part.splitlines()[0].strip(), tuple(blocks(part.partition("\n")[2]))) for part in rest]
    drawn, kind = calls.get("slide") or calls["choose"], calls["exercise"]
    return Lesson(
        **asdict(opening) | {"number": number},
        sections=(("", cautions), *sections),
        inputs=tuple(ast.literal_eval(calls["InputTable"].args[0])),
        control=Control(_drawing(drawn), **{one.arg or "": ast.literal_eval(one.value) for one in drawn.keywords}),
        exercise=ast.literal_eval(kind.args[0]),
        seed=next(ast.literal_eval(one.value) for one in kind.keywords if one.arg == "seed"),
    )


def calls_of(cell: str) -> Iterator[tuple[str, ast.Call]]:
    """Return what a code cell calls: name and call."""
    for node in ast.walk(ast.parse(cell)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            yield node.func.id, node


def _drawing(call: ast.Call) -> str:
    """Return the name of the figure that a control moves, called or handed over."""
    names = [node.id for node in ast.walk(call.args[0]) if isinstance(node, ast.Name)]
    return next(name for name in names if name.startswith("draw_"))


def blocks(text: str) -> Iterator[Block]:
    """Return the pieces of a section in their order."""
    for number, part in enumerate(FENCE.split(text)):
        if number % 2:  # the code between two fences
            for name, call in calls_of(part):
                if name == "InputTable":
                    yield Block("inputs")
                elif name in ("demonstration", "misconception_card"):
                    yield Block(name.rpartition("_")[2], name=ast.literal_eval(call.args[0]))
        else:
            yield from (_text(one) for one in re.split(r"\n\s*\n", part) if one.strip())


def _text(part: str) -> Block:
    lines = part.strip().splitlines()
    for kind, mark in (("quote", r"> ?"), ("ul", r"\* "), ("ol", r"\d+\. ")):
        if re.match(mark, lines[0]):
            items = re.split(rf"^{mark}", "\n".join(lines), flags=re.M)[1:]
            return Block(kind, tuple(runs(" ".join(item.split())) for item in items))
    return Block("p", (runs(" ".join(" ".join(lines).split())),))


def runs(text: str) -> tuple[tuple[str, str], ...]:
    """Return a text in runs of (mark, words).

    Examples
    --------
    >>> runs("a **shape**, no *ppm*")
    (('', 'a '), ('strong', 'shape'), ('', ', no '), ('em', 'ppm'))
    """
    found, at = [], 0
    for one in MARKED.finditer(text):
        found += [("", text[at : one.start()]), ("strong", one[1]) if one[1] else ("em", one[2])]
        at = one.end()
    return tuple(pair for pair in [*found, ("", text[at:])] if pair[1])


def words_of(block: Block) -> str:
    """Return a block as plain words."""
    return " ".join("".join(words for _, words in item) for item in block.items)
