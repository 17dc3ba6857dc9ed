# Two commands on a fresh machine: make demo, make test. Python 3.11 or newer, pip and make are all they need.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin

.PHONY: demo test lint bench clean

demo: $(VENV)/.base
	$(BIN)/combust demo --out output/demo

test: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -n 2 --dist loadfile
	$(BIN)/python -m pytest --nbmake --nbmake-timeout=300 notebooks

bench: $(VENV)/.test
	for script in tests/benchmarks/bench_*.py; do $(BIN)/python $$script || exit 1; done

lint: $(VENV)/.test
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .
	$(BIN)/mypy

$(VENV)/.base: pyproject.toml
	$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11) and 'combust needs Python 3.11 or newer')"
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --editable .
	touch $@

$(VENV)/.test: $(VENV)/.base
	$(BIN)/python -m pip install --quiet --editable ".[test]"
	touch $@

clean:
	rm -rf $(VENV) output build dist
