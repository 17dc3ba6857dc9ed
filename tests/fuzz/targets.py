"""All fuzz targets."""

from tests.fuzz import targets_case, targets_commands, targets_tables, targets_text, targets_toml
from tests.fuzz.registry import TARGETS

__all__ = ["TARGETS", "targets_case", "targets_commands", "targets_tables", "targets_text", "targets_toml"]
