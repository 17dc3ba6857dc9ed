# Two commands on a fresh machine: make demo, make test. Python 3.11 or newer, pip and make are all they need.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
# The pages are tested in a real browser. A machine without Chromium says so and stops, unless told: BROWSER_TESTS=no
BROWSER_TESTS ?= yes
ifeq ($(BROWSER_TESTS),yes)
SELECTED :=
else
SELECTED := -m "not browser"
endif

.PHONY: demo test lint bench page browser clean

demo: $(VENV)/.base
	$(BIN)/combust demo --out output/demo

test: browser $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python tools/make_notebooks.py --check
	$(BIN)/python -m pytest $(SELECTED)

browser:
ifeq ($(BROWSER_TESTS),yes)
	@command -v chromium chromium-browser google-chrome >/dev/null && command -v chromedriver >/dev/null || { \
	  echo "The tests of the pages need Chromium and its driver: apt-get install chromium chromium-driver"; \
	  echo "Everything else without them: make test BROWSER_TESTS=no"; exit 1; }
else
	@echo "BROWSER_TESTS=no: the pages are NOT tested in a browser."
endif

page: $(VENV)/.page
	$(BIN)/combust page

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

$(VENV)/.page: $(VENV)/.base
	$(BIN)/python -m pip install --quiet --editable ".[notebooks]"
	touch $@

clean:
	rm -rf $(VENV) output build dist
