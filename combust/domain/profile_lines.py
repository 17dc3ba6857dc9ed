"""Where each key of a TOML file stands, and faults that name the line."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from combust.data.errors import Code, Fault, shorten

Path = tuple[str | int, ...]

# Behind values of more lines in all, or of more characters, keys are told by the table around them.
MOST_CONTINUED, LONGEST_STATEMENT = 1000, 20_000


class Lines:
    """Line numbers of the keys and tables of one valid TOML text.

    Parameters
    ----------
    text : str
        Text that ``tomllib`` has read without complaint. Empty text knows no lines.

    Examples
    --------
    >>> Lines("a = 1\\n[stages.high]\\nfuel_l_per_h = 0.4\\n").of("stages", "high", "fuel_l_per_h")
    3
    >>> Lines("[[baseline]]\\n[[baseline]]\\nstage = 'low'\\n").of("baseline", 1, "stage")
    3
    """

    def __init__(self, text: str = "") -> None:
        self._lines: dict[Path, int] = {}
        counts: dict[Path, int] = {}
        table: Path = ()
        for number, statement, found in _statements(text):
            keys = _dotted(found)
            if statement.lstrip().startswith("["):
                table = _with_index(keys, counts, grow=statement.lstrip().startswith("[["))
                self._note(table, number)
            elif keys:
                self._note((*table, *keys), number)

    def _note(self, path: Path, number: int) -> None:
        for length in range(1, len(path) + 1):
            self._lines.setdefault(path[:length], number)

    def of(self, *path: str | int) -> int | None:
        """Return the line of a key, or of the nearest table around it.

        Parameters
        ----------
        *path : str or int
            Names of tables and key; the place in a list from 0.

        Returns
        -------
        int or None
            The line, counted from 1; None when nothing of it is in the text.
        """
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return None


class FileFaults:
    """Faults of a TOML text, each with the full name of its quantity and its line."""

    def __init__(self, text: str = "") -> None:
        self.lines = Lines(text)
        self.found: list[Fault] = []

    def add(self, path: Path, value: object, code: Code, why: str, hint: str, *, unit: str = "") -> None:
        """Add what is wrong with the value at a path.

        Parameters
        ----------
        path : tuple of str or int
            Where it stands.
        value : object
            What stands there.
        code : str
            A code of a refused input.
        why, hint : str
            What is wrong, and what to do.
        unit : str
            Unit of the value, "" = none.
        """
        self.take(path, [Fault("", value, code, unit=unit, why=why, hint=hint)])

    def take(self, path: Path, faults: Iterable[Fault]) -> None:
        """Add faults of the value at a path; what is missing has the line of what it is missing from.

        Parameters
        ----------
        path : tuple of str or int
            Where it stands.
        faults : iterable of Fault
            What is wrong with it.
        """
        for fault in faults:
            line = self.lines.of(*path[:-1] if fault.code == "missing" else path)
            self.found.append(fault.at(full_name(path), line))


def full_name(path: Path) -> str:
    """Return the dotted name of a key, entries of a list counted from 1: ``baseline[1].o2_dry_pct``.

    Parameters
    ----------
    path : tuple of str or int
        Where it stands; the place in a list from 0.

    Returns
    -------
    str
        The name.
    """
    text = ""
    for piece in path:
        word = "" if isinstance(piece, int) else shorten(piece, 40).strip() or '""'
        text += f"[{piece + 1}]" if isinstance(piece, int) else f".{word}" if text else word
    return text


def _statements(text: str) -> Iterator[tuple[int, str, Any]]:
    """Yield (line number, text, what it holds) of each header or key: lines that are TOML as soon as they are whole."""
    begin, statement, continued = 1, "", 0
    for number, line in enumerate(text.split("\n"), 1):
        statement += line + "\n"
        try:
            found = tomllib.loads(statement)
        except (tomllib.TOMLDecodeError, RecursionError):
            continued += 1
            if continued > MOST_CONTINUED or len(statement) > LONGEST_STATEMENT:
                return
            continue
        yield begin, statement, found
        begin, statement = number + 1, ""


def _dotted(inner: Any) -> tuple[str, ...]:
    """Return the path of the first key of what a header or a line holds."""
    path: list[str] = []
    while isinstance(inner, Mapping | list) and inner:
        if isinstance(inner, list):
            inner = inner[0]
            continue
        key = next(iter(inner))
        path.append(key)
        inner = inner[key]
    return tuple(path)


def _with_index(keys: tuple[str, ...], counts: dict[Path, int], *, grow: bool) -> Path:
    """Return a header's path with the index of every array of tables on its way."""
    path: Path = ()
    for place, key in enumerate(keys):
        path = (*path, key)
        if grow and place == len(keys) - 1:
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
    return path
