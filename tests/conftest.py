"""Settings of the suite: property tests have no deadline, because a loaded machine is no fault of the code."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("combust", deadline=None)
settings.load_profile("combust")
