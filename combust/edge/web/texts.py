"""The one catalogue of the page's own texts: another language is another file in ``texts/``; and its own files."""

from __future__ import annotations

import hashlib
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


@cache
def static(name: str) -> str:
    """Return the address of a file of ``static/``, with a stamp of what is in it.

    A phone keeps what it was given under a stamp and asks for it only once: a network that drops after the page, and
    before its script, leaves no form without what keeps its entry.
    """
    data = resources.files("combust.edge.web").joinpath("static", name).read_bytes()
    return f"/static/{name}?v={hashlib.sha256(data).hexdigest()[:12]}"
