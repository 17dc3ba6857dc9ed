"""Pages for people without Python: a notebook served by Voilà on the loopback address, offline, without code."""
