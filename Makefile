# One-word tasks; each sets up what it needs. `make` alone lists them.
VENV := .venv
BIN := $(VENV)/bin
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3; do \
	command -v $$p >/dev/null 2>&1 && $$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' && { echo $$p; break; }; done)
# one thread a process: two worker processes share the cores
export OMP_NUM_THREADS ?= 1
# sizes of the ledgers that are timed
READINGS ?= 10000

.PHONY: help setup setup-test demo demo-photos app test check bench clean
.DEFAULT_GOAL := help

help:            ## list the tasks
	@grep -hE '^[a-z-]+: .*##' $(MAKEFILE_LIST) | sed -E 's/: .*##/ -/'

setup: $(VENV)/.installed   ## make .venv with the program in it

setup-test: $(VENV)/.installed-test

demo: setup      ## audit demo_photos/ into reports/
	$(BIN)/restoration-audit demo

app: setup       ## open the pages on 127.0.0.1
	$(BIN)/restoration-audit app

test: check      ## everything that CI runs
	$(BIN)/python -m pytest -n 2

check: setup-test   ## ruff and mypy
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: setup-test   ## speed and memory, as ratios within one run; READINGS=1000000 for a large ledger
	READINGS="$(READINGS)" $(BIN)/python -m tests.bench

demo-photos: setup  ## draw demo_photos/ anew from its seed
	$(BIN)/python -m audit.synthetic.club demo_photos

$(VENV)/.installed: pyproject.toml constraints.txt .ci/packages
	.ci/packages run
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer must be installed. Hint: apt-get install python3 python3-venv, or python.org."; exit 2; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

$(VENV)/.installed-test: $(VENV)/.installed
	.ci/packages test
	$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[test]'
	@touch $@

clean:           ## remove what the tasks made
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis build *.egg-info
