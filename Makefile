# Everything the project can be asked to do. Each target sets up what it needs; only Python 3.11 or newer and make must be there.

VENV ?= .venv
PY := $(VENV)/bin/python
PIP := $(PY) -m pip --disable-pip-version-check --quiet
DEMO_FOLDER ?= tapproof-demo
WORKERS ?= 2
# One thread of linear algebra a worker: the matrices are small, and two workers with two threads each stand in each other's way.
PYTEST := OPENBLAS_NUM_THREADS=1 $(PY) -m pytest -n $(WORKERS) --dist worksteal

# An environment whose Python has gone, or which was moved or copied from another place, is made anew.
SOUND := $(shell $(PY) -c "import sys; sys.exit(sys.version_info < (3, 11))" 2>/dev/null && \
	test "$$(cat $(VENV)/made 2>/dev/null)" = "$$(pwd -P)" && echo yes)

.PHONY: help demo test check static wheel intervals speed evidence clean unsound
.DEFAULT_GOAL := help

help:
	@echo "make demo       prove a small batch on the simulated bench; everything goes into $(DEMO_FOLDER)/"
	@echo "make test       the tests, in under 3 minutes; what is skipped is listed: no tool for it, or left to make check"
	@echo "make check      format, lint, types, imports, wheel contents, all tests with none skipped (what .ci/run runs)"
	@echo "make intervals  how often the stated uncertainty and the drift limits hold"
	@echo "make speed      speed ratios against stated baselines"
	@echo "make evidence   all tables at full size, written into the documents with seed and date"
	@echo "make clean      remove the virtual environment, caches and the demo"
	@echo "Another Python: make ... PYTHON=/path/to/python3"

demo: $(VENV)/run.stamp
	$(VENV)/bin/tapproof demo --folder "$(DEMO_FOLDER)"

test: $(VENV)/test.stamp
	$(PYTEST)

check: static wheel
	TAPPROOF_NO_SKIP=1 $(PYTEST)

static: $(VENV)/check.stamp
	$(PY) -m ruff format --check .
	$(PY) -m ruff check .
	$(PY) -m mypy
	$(PY) -m mypy tools
	$(VENV)/bin/lint-imports --no-logo

wheel: $(VENV)/check.stamp
	$(PY) tools/check_wheel.py

intervals speed evidence: $(VENV)/test.stamp
	@test -e tests/$@.py || test -e tests/$@/__main__.py || \
		{ echo "make $@: there is no module tests.$@ in this tree" >&2; exit 1; }
	$(PY) -m tests.$@

# The stamps: installed again only when the requirements or pyproject.toml changed. The project itself goes in as a link to
# this folder, built with the pinned backend (no isolation, so nothing unpinned is fetched).
$(VENV)/made: $(if $(SOUND),,unsound)
	@PYTHON="$(PYTHON)" sh tools/make-venv.sh "$(VENV)"

$(VENV)/run.stamp: requirements/run.txt
$(VENV)/test.stamp: requirements/run.txt requirements/test.txt
$(VENV)/check.stamp: requirements/run.txt requirements/test.txt requirements/check.txt
$(VENV)/%.stamp: requirements/%.txt requirements/build.txt pyproject.toml $(VENV)/made
	@echo "Installing requirements/$*.txt into $(VENV)"
	@$(PIP) install -r requirements/$*.txt -r requirements/build.txt
	@$(PIP) install --no-deps --no-build-isolation -e .
	@touch $@

clean:
	rm -rf "$(VENV)" "$(DEMO_FOLDER)" .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis dist build
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
