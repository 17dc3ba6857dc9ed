"""Settings of the suite: property tests have no deadline, because a loaded machine is no fault of the code."""

from __future__ import annotations

from hypothesis import settings

from tests.outside_calls import pytest_addoption, pytest_configure

__all__ = ["pytest_addoption", "pytest_configure"]

settings.register_profile("combust", deadline=None)
settings.load_profile("combust")
