"""Tests: published values, hand-worked rows, independent routes and properties; see source_rows.py."""
