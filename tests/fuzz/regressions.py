"""Inputs that once failed: each is given to its target in every test run and stands in the corpus of every fuzzing."""

from __future__ import annotations

REGRESSIONS: dict[str, list[bytes]] = {}
