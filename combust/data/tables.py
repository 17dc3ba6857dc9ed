"""The one loader of the TOML tables that ship with combust."""

from __future__ import annotations

import csv
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from combust.data.errors import CombustError, Fault, shorten


@cache
def load_table(name: str) -> dict[str, Any]:
    """Return the shipped table ``combust/data/<name>.toml`` as a dictionary (do not change it)."""
    return tomllib.loads(resources.files("combust.data").joinpath(f"{name}.toml").read_text(encoding="utf-8"))


@cache
def load_columns(name: str) -> tuple[dict[str, list[str]], tuple[str, ...]]:
    """Return the shipped table ``combust/data/<name>.csv`` as (column -> texts, provenance lines)."""
    text = resources.files("combust.data").joinpath(f"{name}.csv").read_text(encoding="utf-8")
    lines = text.splitlines()
    told = tuple(line.lstrip("# ") for line in lines if line.startswith("#"))
    head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    return {key: [row[index] for row in rows] for index, key in enumerate(head)}, told


def read_toml(path: str | Path, *, quantity: str = "file", max_bytes: int = 4_000_000) -> dict[str, Any]:
    """Return a user's TOML file as a dictionary.

    Raises
    ------
    CombustError
        When the file is missing, too large, not UTF-8 or not TOML; the line is named.
    """
    path = Path(path)
    try:
        if path.stat().st_size > max_bytes:
            raise CombustError(
                Fault(
                    quantity,
                    str(path),
                    "too_large",
                    why=f"is larger than {max_bytes // 1_000_000} MB",
                    hint="A TOML file of this kind has a few hundred lines. Give the right file.",
                )
            )
        text = path.read_text(encoding="utf-8-sig")
    except CombustError:
        raise
    except UnicodeDecodeError as error:
        raise CombustError(
            Fault(quantity, str(path), "format", why="is not UTF-8 text", hint="Save it as UTF-8.")
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or shorten(error)
        raise CombustError(
            Fault(quantity, str(path), "missing", why=f"cannot be read ({reason})", hint="Check path and permissions.")
        ) from error
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else shorten(error, 120)
        raise CombustError(
            Fault(quantity, str(path), "format", why=f"is not valid TOML ({reason})", hint="Mend that line.")
        ) from error
