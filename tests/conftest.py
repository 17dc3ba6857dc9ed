"""Settings of the suite: property tests have no deadline, because a loaded machine is no fault of the code.

Nor is one that draws its examples slowly.

Their examples are the same in every run; the long form and ``make fuzz`` draw new ones.
"""

from __future__ import annotations

import sys

import pytest
from hypothesis import HealthCheck, settings

from tests.long import LONG
from tests.outside_calls import pytest_addoption, pytest_configure

__all__ = ["pytest_addoption", "pytest_collection_modifyitems", "pytest_configure", "pytest_sessionfinish"]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the notebooks: a long file that waits for its kernels would keep one process busy alone at the end."""
    items.sort(key=lambda item: "notebooks" not in item.path.parts)


def pytest_sessionfinish() -> None:
    """End the browsers that the tests of pages shared."""
    shared = sys.modules.get("tests.edge.web.browser")
    if shared is not None:
        shared.end_browsers()


settings.register_profile("combust", deadline=None, derandomize=not LONG, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("combust")
