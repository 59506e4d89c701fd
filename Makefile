# Each target sets up what it needs in .venv, once; a change of pyproject.toml sets it up again.

PYTHON ?= python3
BIN := .venv/bin
INSTALL := $(BIN)/python -m pip install --quiet --quiet --disable-pip-version-check

# What `make bench` runs: names of bundled clips, seed_1, seed_2, ...; empty for all but the large ones (bus_clean_4k,
# bus_clean_20_min). JOBS: clips at the same time.
# SWEEP: the conditions to sweep instead, one by one, as tilt or cones-off; all for all of them.
CLIPS ?=
SWEEP ?=
JOBS ?= 1
# What `make soak` runs: names of its suites, see its --help; empty for all.
SUITES ?=

.PHONY: demo test bench soak check clean

demo: .venv/installed
	$(BIN)/tailtrace demo --out build/demo
	@echo "Open in a browser: $(CURDIR)/build/demo/review.html"

test: .venv/installed-dev
	$(BIN)/python -m pytest --numprocesses auto --maxprocesses 4 --dist loadfile

bench: .venv/installed-dev
	PYTHONPATH=tests $(BIN)/python -m bench $(if $(CLIPS),--clips "$(CLIPS)") --jobs $(JOBS) \
		$(if $(SWEEP),--sweep $(filter-out all,$(SWEEP)))

soak: .venv/installed-dev
	PYTHONPATH=tests $(BIN)/python -m soak $(SUITES)

check: .venv/installed-dev
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/python -m pip --disable-pip-version-check check
	$(BIN)/python tests/dependency_audit.py

clean:
	rm -rf .venv build

.venv/bin/python:
	$(PYTHON) -m venv .venv

.venv/installed: pyproject.toml | .venv/bin/python
	$(INSTALL) --editable .
	@touch $@

.venv/installed-dev: pyproject.toml | .venv/bin/python
	$(INSTALL) --editable '.[dev]'
	@touch $@ .venv/installed
