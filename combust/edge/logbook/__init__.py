"""The logbook: one SQLite file of visits; closed records cannot be changed, corrections are new revisions."""
