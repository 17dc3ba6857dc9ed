"""Frozen, self-validating objects: fuel, site, instrument, reading; and the gas functions that take them."""
