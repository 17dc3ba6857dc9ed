"""Printable pages: the record of a visit, a fleet plan, lesson sheets, class sheets of the mystery heater."""
