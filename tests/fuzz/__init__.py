"""Fuzzing: one definition of each property, for hypothesis in `make test` and for atheris in `make fuzz`."""
