"""A client of ``combust`` for the type checker."""
