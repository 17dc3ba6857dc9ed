"""The one loader of the TOML tables that ship with combust."""

from __future__ import annotations

import csv
import json
import re
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from combust.data.errors import CombustError, Fault, no_access, shorten

MOST_LEVELS = 40
_FLATTER = "Write each list and table on one level or two."
# A dotted name of very many parts, which the parser would take minutes for; looked for at the beginnings of words only.
_LONG_PATH = re.compile(rf"""(?<![\w-])(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){{{MOST_LEVELS}}}""")


@cache
def load_table(name: str) -> dict[str, Any]:
    """Return the shipped table ``combust/data/<name>.toml`` as a dictionary (do not change it)."""
    return tomllib.loads(resources.files("combust.data").joinpath(f"{name}.toml").read_text(encoding="utf-8"))


def load_numbers(name: str, part: str) -> dict[str, float]:
    """Return the numbers of a part of a shipped table whose rows have a value, a unit and an origin: key -> value."""
    return {key: float(row["value"]) for key, row in load_table(name)[part].items()}


@cache
def load_columns(name: str) -> tuple[dict[str, list[str]], tuple[str, ...]]:
    """Return the shipped table ``combust/data/<name>.csv`` as (column -> texts, provenance lines)."""
    text = resources.files("combust.data").joinpath(f"{name}.csv").read_text(encoding="utf-8")
    lines = text.splitlines()
    provenance = tuple(line.lstrip("# ") for line in lines if line.startswith("#"))
    head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    return {key: [row[index] for row in rows] for index, key in enumerate(head)}, provenance


def read_text(path: str | Path, *, quantity: str = "file", max_bytes: int = 4_000_000) -> str:
    """Return the text of a user's small file.

    Raises
    ------
    CombustError
        When the file is missing, too large or not UTF-8.
    """
    try:
        too_large = Path(path).stat().st_size > max_bytes
        text = "" if too_large else Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        fault = Fault(quantity, str(path), "format", why="is not UTF-8 text", hint="Save it as UTF-8.")
        raise CombustError(fault) from error
    except (OSError, ValueError) as error:
        raise no_access(quantity, path, error) from error
    if too_large:
        why = f"is larger than {max_bytes // 1_000_000} MB"
        hint = "A file of this kind has a few hundred lines. Give the right file."
        raise CombustError(Fault(quantity, str(path), "too_large", why=why, hint=hint))
    return text


def read_toml(path: str | Path, *, quantity: str = "file", max_bytes: int = 4_000_000) -> dict[str, Any]:
    """Return a user's TOML file as a dictionary.

    Raises
    ------
    CombustError
        When the file is missing, too large, not UTF-8 or not TOML; the line is named.
    """
    return toml_of_text(read_text(path, quantity=quantity, max_bytes=max_bytes), quantity=quantity, where=path)


def toml_of_text(text: str, *, quantity: str = "file", where: str | Path = "text") -> dict[str, Any]:
    """Return a user's TOML text as a dictionary; ``where`` is what it was read from.

    Raises
    ------
    CombustError
        When it is not TOML; the line is named.
    """
    path = Path(where)
    too_deep = Fault(quantity, str(path), "format", why="holds brackets within brackets without end", hint=_FLATTER)
    if _LONG_PATH.search(text):
        raise CombustError(too_deep)
    try:
        found = tomllib.loads(text)
    except RecursionError as error:
        raise CombustError(too_deep) from error
    except (tomllib.TOMLDecodeError, ValueError) as error:  # a whole number of more than 4300 digits is a ValueError
        raise CombustError(_syntax_fault(quantity, path, text, str(error))) from error
    if is_nested_deeply(found):
        raise CombustError(too_deep)
    return found


def is_nested_deeply(value: object, levels: int = MOST_LEVELS) -> bool:
    """Return True when tables and lists stand in each other more than so many levels deep."""
    if levels == 0:
        return True
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return any(is_nested_deeply(one, levels - 1) for one in inner)


def _syntax_fault(quantity: str, path: Path, text: str, message: str) -> Fault:
    """Return the fault of a text that is no TOML: the line itself, and the remedy."""
    place = re.search(r"\(at (?:line (\d+), column \d+|end of document)\)", message)
    reason = shorten(message[: place.start()].strip() if place else message, 80)
    lines = text.split("\n")
    number = int(place[1]) if place and place[1] else len(lines)
    line = lines[number - 1].strip() if number <= len(lines) else ""
    where = f" at line {number}" if place else ""
    shown = f": {shorten(line, 80)}" if place and line else ""
    return Fault(quantity, str(path), "format", why=f"cannot be read{where}{shown}", hint=_syntax_remedy(reason, line))


def _syntax_remedy(reason: str, line: str) -> str:
    """Return what to do about a line that the parser does not take."""
    entry = re.match(r"^([\w.-]+)\s*=\s*([^\s\"'\[\]{}#][^\"'\[\]{}#]*)$", line)
    if entry and re.fullmatch(r"[+-]?\d+,\d+", entry[2].strip()):
        return f"Write a decimal point: {entry[1]} = {entry[2].strip().replace(',', '.')}."
    if entry and reason.startswith(("Invalid value", "Expected newline")):
        key, word = shorten(entry[1], 40), shorten(entry[2].strip(), 40)
        return f'Text stands in quotes ({key} = "{word}"), a number alone and without its unit ({key} = 12.5).'
    if "overwrite" in reason or "twice" in reason or "mutate" in reason:
        return "It stands in the file already: keep one of them."
    if reason.startswith(("Illegal character", "Unterminated", "Unclosed")):
        return "Close the quote or bracket that is open there."
    if line.endswith("="):
        return "Write a value behind the = or put # before the line."
    if "\\" in reason or "escape" in reason.lower():
        return "In a path write / instead of a backslash."
    return "Mend that line: key = value, text in quotes, every quote and bracket closed."


def toml_value(value: object) -> str:
    """Return a value as TOML text."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(one) for one in value)}]"
    return f"{value:g}" if isinstance(value, int | float) else json.dumps(str(value), ensure_ascii=False)
