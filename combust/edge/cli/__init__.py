"""The command line: one module for each command, found by name when it is asked for."""
