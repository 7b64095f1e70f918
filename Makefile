# Everything here needs Python 3.11 or newer, make and git; each target does the set-up that it needs.
PYTHON ?= python3.11
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
export DO_NOT_TRACK := 1
export PREFECT_SERVER_ANALYTICS_ENABLED := false

.PHONY: setup demo test test-pages lint bench recovery clean

setup: $(READY)

$(READY): requirements.txt pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

demo: $(READY)
	$(BIN)/rodfleet demo demo

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

test: $(READY)
	$(BIN)/python -m pytest
	@command -v chromium >/dev/null 2>&1 || echo "No Chromium found: the page tests (make test-pages) were left out."

test-pages: $(READY)
	$(BIN)/python -m pytest tests/pages

recovery: $(READY)
	$(BIN)/python -m tests.recovery

bench: $(READY)
	$(BIN)/python -m tests.benchmarks

clean:
	rm -rf $(VENV) demo build *.egg-info
