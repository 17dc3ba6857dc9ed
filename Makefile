# Two commands on a fresh machine: make demo, make test. Python 3.11 or newer, pip and make are all they need.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
# The pages are tested in a real browser where Chromium and its driver are. Elsewhere the run says, first and last, that
# they were not; BROWSER_TESTS=yes (as CI sets it) insists on them.
BROWSER_TESTS ?= $(if $(and $(shell command -v chromium),$(shell command -v chromedriver)),yes,no)
OUTSIDE := published or hand or independent or memory or practice
SELECTED := $(if $(filter yes,$(BROWSER_TESTS)),,-m "not browser")

# Compiled modules are kept: each command that a test starts in a process of its own would compile the package again.
unexport PYTHONDONTWRITEBYTECODE
# Threads of the linear algebra would only wait for each other beside the test processes.
export OPENBLAS_NUM_THREADS ?= 1
export OMP_NUM_THREADS ?= 1
# Three test processes for two cores: one of them often waits for a browser, a server or a command that it started. A file
# stays in one process, for what its tests share; in the order of tests/conftest.py the slow ones come first.
SPREAD := -n 3 --dist loadfile --no-loadscope-reorder

.PHONY: demo test study study-foreign study-learn coverage accuracy lint bench tours fuzz wheel-check pythons lowest release page lab browser clean

demo: $(VENV)/.base
	$(BIN)/combust demo --out output/demo

test: $(VENV)/.test browser
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest $(SPREAD) --outside-gate $(SELECTED)
	@$(MAKE) --no-print-directory browser

# What is settled by chance, in its long form: 3000 visits of the study of causes, 1000 mystery cases, 2000 heaters a
# condition of the history, 210 moments of a signal, a fleet of a million,
# 200 driven heaters and 10 000 moves of one. The reached numbers are printed.
study: $(VENV)/.test
	COMBUST_LONG=yes $(BIN)/python -m pytest -s tests/application/learning/test_frequencies.py tests/application/test_causes_study.py tests/application/test_mystery_cases.py \
	  tests/application/test_history_study.py tests/application/fleet/test_broken_tables.py tests/application/fleet/test_difference.py tests/application/fleet/test_assignment.py tests/application/fleet/test_weather.py \
	  tests/edge/test_running_conditions.py tests/application/trainer tests/kernel/test_heater_dynamics.py \
	  tests/application/test_safety_lists.py tests/application/learning/test_anonymous.py tests/edge/test_logbook_hard.py tests/edge/test_logbook_killed.py \
	  tests/edge/test_logbook_merge.py tests/edge/test_logbook_damaged.py tests/edge/test_tables_blocks.py \
	  tests/edge/test_hostile_files.py tests/edge/test_corrupted_inputs.py tests/edge/test_odd_values_in_files.py tests/edge/test_every_command_ends_well.py tests/edge/test_points_engines.py \
	  tests/edge/web/test_killed.py tests/edge/web/test_lesson_browser.py tests/benchmarks/test_benchmarks.py \
	  tests/edge/test_browser_fleet.py tests/edge/web/test_class_own_browser.py

# The causes where nature, instrument and baseline differ from the model: one table. STUDY="--quick" for a loop of work.
STUDY ?=
study-foreign: $(VENV)/.test
	$(BIN)/python -m tests.simulator.table $(STUDY)

# What a logbook teaches: other heaters of a fleet judged before and after, and the ranks of what the hierarchy drew.
LEARN ?=
study-learn: $(VENV)/.test
	$(BIN)/python -m tests.simulator.learning_table --labels 20 $(LEARN)
	$(BIN)/python -m tests.simulator.learning_ranks

# Branch coverage of kernel and domain by their own tests; fails below the limit in pyproject.toml.
coverage: $(VENV)/.test
	$(BIN)/python -m pytest -q tests/kernel tests/domain tests/data --cov --cov-report=
	$(BIN)/python tools/coverage_floors.py

# One page with every check against the outside: output/accuracy/index.html.
accuracy: $(VENV)/.test
	$(BIN)/python -m pytest $(SPREAD) --outside-gate -m "$(OUTSIDE)"
	$(BIN)/python tools/make_accuracy.py

browser:
ifeq ($(BROWSER_TESTS),yes)
	@command -v chromium >/dev/null && command -v chromedriver >/dev/null || { \
	  echo "The tests of the pages need Chromium and its driver: apt-get install chromium chromium-driver"; exit 1; }
else
	@echo "No Chromium with its driver here: the pages are NOT tested in a browser (apt-get install chromium chromium-driver)."
endif

page: $(VENV)/.page
	$(BIN)/combust page --book output/page.book --heaters data/heaters

# It asks nobody outside for news or newer versions.
QUIET := --LabApp.news_url=None --LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate
lab: $(VENV)/.lab
	$(BIN)/jupyter lab $(QUIET) notebooks/

# The site in output/docs: pages, every notebook run, figures, reference. What is not in order ends it with an error
# (COMBUST_LONG=yes tests/test_site.py shows that it does).
.PHONY: docs
docs: $(VENV)/.test
	$(BIN)/python tools/make_site.py

bench: $(VENV)/.test
	$(BIN)/python -m tests.benchmarks $(BENCH)

# The README as a newcomer meets it: a fresh clone, a fresh environment, every command in order.
tours:
	$(PYTHON) tools/readme_tour.py --fresh

# A million inputs and more, guided by coverage: about 40 minutes on two cores. FUZZ names targets or --total N.
fuzz: $(VENV)/.fuzz
	$(BIN)/python -m tests.fuzz.run --jobs 2 $(FUZZ)

# The built wheel in an environment with its base dependencies and nothing else.
wheel-check: $(VENV)/.base
	$(BIN)/python tools/check_wheel.py

# The same with each Python from 3.11 to 3.14 that is on this machine; those that are not are named.
pythons: $(VENV)/.base
	$(BIN)/python tools/check_wheel.py --every

# The lower bounds of pyproject.toml are true: the oldest release of each library that it names, and a small part of the tests.
LOWEST := $(VENV)-lowest
lowest:
	@command -v uv >/dev/null || { echo "make lowest needs uv: pip install uv"; exit 1; }
	uv venv --quiet --clear $(LOWEST)
	uv pip install --quiet --python $(LOWEST)/bin/python --resolution lowest-direct -e . "pytest>=8" "hypothesis>=6.100"
	uv pip list --python $(LOWEST)/bin/python | grep -iE "^(numpy|pandas|pyarrow|matplotlib|click|jinja2) "
	$(LOWEST)/bin/python -m pytest -q -p no:cacheprovider tests/edge/test_logbook_commands.py tests/edge/test_tables_typed.py \
	  tests/edge/test_help_and_completion.py tests/edge/test_cli_readings.py tests/edge/test_figures.py tests/edge/test_arrow.py

# A release: make release VERSION=0.2.0; DRY=yes does everything but change this repository. Nothing is pushed or uploaded.
release: $(VENV)/.base
	$(BIN)/python tools/make_release.py $(if $(filter yes,$(DRY)),--dry) $(or $(VERSION),$(shell sed -n 's/^version = "\(.*\)"/\1/p' pyproject.toml))

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

$(VENV)/.fuzz: $(VENV)/.base
	$(BIN)/python -m pip install --quiet --editable ".[fuzz]"
	touch $@

$(VENV)/.page: $(VENV)/.base
	$(BIN)/python -m pip install --quiet --editable ".[web]"
	touch $@

$(VENV)/.lab: $(VENV)/.base
	$(BIN)/python -m pip install --quiet --editable ".[notebooks]"
	touch $@

clean:
	rm -rf $(VENV) $(VENV)-lowest output build dist
