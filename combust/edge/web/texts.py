"""The one catalogue of the page's own texts: another language is another file in ``texts/``."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any

LANGUAGE = "en"


@cache
def texts(language: str = LANGUAGE) -> dict[str, Any]:
    """Return the texts of a language, by room and name (do not change them)."""
    file = resources.files("combust.edge.web").joinpath("texts", f"{language}.toml")
    return tomllib.loads(file.read_text(encoding="utf-8"))
