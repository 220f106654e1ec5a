# Everything runs from an environment that `make` builds for itself in .venv, from requirements.lock.
# Needs git, make and a Python of 3.11 or later; nothing else is looked for on the machine.

.DEFAULT_GOAL := help
.PHONY: help demo demo-reset test every-test test-fast bench gas-report campaign lint format lock

VENV := .venv
PY := $(VENV)/bin/python
UV_VERSION := 0.13.9
# Tests wait more than they work: for servers, for the browser. Each worker has servers of its own. WORKERS=0 is one process.
WORKERS ?= 4
# The order of tests/conftest.py, longest files first, is kept.
SHARED := -n $(WORKERS) --dist loadfile --no-loadscope-reorder

# The first interpreter that is new enough and can make environments. Choose another: make demo PYTHON=/path/to/python
PYTHON ?= $(shell for candidate in python3 python3.13 python3.12 python3.11 python3.14 python; do \
	if $$candidate -c 'import ensurepip, sys, venv; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; \
	then echo $$candidate; break; fi; done)

help:  ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-12s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

demo: $(VENV)/.installed  ## run the whole invented network here; Ctrl-C stops it, a second start keeps its data
	@$(VENV)/bin/filltrail demo

demo-reset: $(VENV)/.installed  ## throw the demo's data away
	@$(VENV)/bin/filltrail demo-reset

test: $(VENV)/.installed  ## lint and, beside it, every test: stories, real servers, a real browser
	@$(MAKE) --no-print-directory --jobs 2 lint every-test

every-test: $(VENV)/.installed
	$(PY) -m pytest $(SHARED)

test-fast: $(VENV)/.installed  ## the tests that need no server and no browser
	$(PY) -m pytest $(SHARED) -m "not wire and not browser and not slow"

# How many invented serials near-match is measured over; the full number takes some minutes and 5 GB for the time being.
SERIALS ?= 5000000

bench: $(VENV)/.installed  ## measure, each figure beside its floor; SERIALS=50000 for less of near-match
	$(PY) -m tests.benchmarks.run
	$(PY) -m tests.benchmarks.near_at_scale --serials $(SERIALS)

# Network-years to simulate, and the first seed.
YEARS ?= 10
FIRST ?= 0

campaign: $(VENV)/.installed  ## simulate YEARS network-years under faults (YEARS=100); a bad seed prints its replay
	$(PY) -m tests.simulation.seeds --years $(YEARS) --first $(FIRST)

gas-report: $(VENV)/.installed  ## how far real-gas states are from published figures and a second model
	@$(PY) -m tests.gas.report

lint: $(VENV)/.installed  ## format check, ruff, mypy, import contracts
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports

format: $(VENV)/.installed  ## format, and mend what ruff can mend
	$(VENV)/bin/ruff format .
	$(VENV)/bin/ruff check --fix .

lock: $(VENV)/.installed  ## pin every dependency again, by version and hash, into requirements.lock
	$(PY) -m venv $(VENV)/uv
	$(VENV)/uv/bin/pip install --quiet --disable-pip-version-check uv==$(UV_VERSION)
	$(VENV)/uv/bin/uv pip compile pyproject.toml --quiet --upgrade --universal --generate-hashes --all-extras \
		--python-version 3.11 --no-header --no-annotate --no-emit-index-url --output-file requirements.lock

# Two stamps, so that an edit of pyproject.toml does not walk through the whole lock again.
$(VENV)/.locked: requirements.lock
	@if [ -z "$(PYTHON)" ]; then \
		echo "No Python of 3.11 or later with its venv module was found. Install one, or name it: make PYTHON=/path/to/python" >&2; \
		exit 1; fi
	@if [ ! -x $(PY) ] && ! $(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then \
		echo "$(PYTHON) is not a Python of 3.11 or later. Name one that is: make PYTHON=/path/to/python" >&2; \
		exit 1; fi
	@if [ ! -x $(PY) ]; then echo "Making $(VENV) with $(PYTHON)"; $(PYTHON) -m venv $(VENV); fi
	@echo "Installing what requirements.lock names (the first time takes a minute)"
	@$(PY) -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	@touch $@

$(VENV)/.installed: $(VENV)/.locked pyproject.toml
	@$(PY) -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@
