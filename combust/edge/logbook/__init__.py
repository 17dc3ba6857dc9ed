"""The logbook: one SQLite file of visits, each a chain of entries that are only added; corrections are entries too."""
