# Everything here needs Python 3.11 or newer, make and git; each target does the set-up that it needs.
# Another Python: `make setup PYTHON=python3.13`. Targets take turns in one .venv, so don't use -j.
OLD_ENOUGH := import sys; sys.exit(sys.version_info < (3, 11))
PYTHON ?= $(shell for p in python3.11 python3.12 python3.13 python3 python; do \
  "$$p" -c "$(OLD_ENOUGH)" 2>/dev/null && echo "$$p" && break; done)
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
export DO_NOT_TRACK := 1
export PREFECT_SERVER_ANALYTICS_ENABLED := false
# The program's own threads share the work; BLAS threads beside them would only fight for the cores.
export OMP_NUM_THREADS := 1
export OPENBLAS_NUM_THREADS := 1

.PHONY: setup demo test test-pages lint properties bench recovery sbc breaks vetting layouts names analyst clean

setup: $(READY)

$(READY): requirements.txt pyproject.toml
	@test -n "$(PYTHON)" || { echo "No Python 3.11 or newer was found; name one: make PYTHON=/path/to/python"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

demo: $(READY)
	$(BIN)/rodfleet demo demo

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy -n 2
	$(BIN)/lint-imports --no-cache

# Two at a time, whole files: what a file's tests share is made once. Their order is that of tests/conftest.py.
test: $(READY)
	$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder
	@if command -v chromedriver >/dev/null 2>&1; then echo "The page tests are apart: make test-pages."; \
	else echo "No Chromium with chromedriver found: the page tests (make test-pages) were left out."; fi

test-pages: $(READY)
	$(BIN)/python -m pytest tests/pages

# Many times the examples of `make test`, drawn anew each time; before an issue of the intake is closed.
properties: $(READY)
	RODFLEET_PROPERTIES=$${RODFLEET_PROPERTIES:-20} $(BIN)/python -m pytest --timeout=3600 \
	  tests/unit/test_intake_properties.py tests/unit/test_intake_histories.py tests/unit/test_intake_fuzz.py

recovery: $(READY)
	$(BIN)/python -m tests.recovery

sbc: $(READY)
	$(BIN)/python -m tests.recovery.simulation_based

breaks: $(READY)
	$(BIN)/python -m tests.recovery.breaks_found

vetting: $(READY)
	$(BIN)/python -m tests.recovery.vetting_found --outlook

layouts: $(READY)
	$(BIN)/python -m tests.recovery.foreign_layouts

names: $(READY)
	$(BIN)/python -m tests.recovery.names_found
	$(BIN)/python -m tests.recovery.twins_found
	$(BIN)/python -m tests.recovery.renewals_found

analyst: $(READY)
	$(BIN)/python -m tests.analyst

bench: $(READY)
	$(BIN)/python -m tests.benchmarks

clean:
	rm -rf $(VENV) demo build *.egg-info
