# One folder, one environment: everything is installed into .venv and nothing outside is changed.
# `make demo` and `make test` are all that a newcomer needs; `make` lists the rest.

VENV := .venv
BIN := $(VENV)/bin
# What the main job needs, and what everything else needs beside it.
RUN_STAMP := $(VENV)/.installed-run
STAMP := $(VENV)/.installed
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check
STUDIES := reports/studies
# A Python to use instead of the one that is found: make PYTHON=python3.14 demo
PYTHON ?=

# The matrices here are small: threads inside linear algebra cost more than they bring.
export OMP_NUM_THREADS ?= 1
export OPENBLAS_NUM_THREADS ?= 1
# Without compiled modules beside the sources every command starts seconds later.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help setup demo test lint format types layers architecture studies evidence calibration bench mutants docs audit lock clean

# The first name that really runs, is 3.12 or newer and can make environments. A name on the
# search path proves nothing: version managers leave names behind that start nothing.
find_python = \
	for name in "$(PYTHON)" "python$$(cat .python-version 2>/dev/null)" python3.13 python3.12 \
		python3 python3.14 python "$$HOME"/.pyenv/versions/3.1[2-9]*/bin/python; do \
		[ -n "$$name" ] || continue; \
		if "$$name" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 12))' \
			>/dev/null 2>&1; then echo "$$name"; exit 0; fi; \
	done; \
	echo "No Python 3.12 or newer (with its venv module) was found." >&2; \
	echo "Install one, then run make again:" >&2; \
	echo "  Debian 13, Ubuntu 24.04 or newer:  apt-get install python3 python3-venv" >&2; \
	echo "  macOS with Homebrew:               brew install python@3.13" >&2; \
	echo "  any system:                        pyenv install 3.13, or uv python install 3.13" >&2; \
	echo "Or name one that you have:           make PYTHON=python3.14 demo" >&2; \
	exit 1

help:  ## list the targets
	@grep -E '^[a-z]+:.*## ' $(firstword $(MAKEFILE_LIST)) | sed -E 's/:.*## /|/' \
		| awk -F'|' '{ printf "make %-13s %s\n", $$1, $$2 }'

# Reinstalls only when a lock or the project file is newer than the last installation.
$(RUN_STAMP): requirements-run.lock pyproject.toml
	@set -e; \
	if ! $(BIN)/python -c 'import sys; sys.exit(sys.version_info < (3, 12))' >/dev/null 2>&1; then \
		python=$$($(find_python)); \
		echo "Making $(VENV) with $$("$$python" --version)"; \
		"$$python" -m venv --clear $(VENV); \
	fi
	@$(BIN)/python -m pip --version >/dev/null 2>&1 || $(BIN)/python -m ensurepip >/dev/null
	@echo "Installing the packages that the job needs (minutes the first time)"
	@$(PIP) --require-hashes -r requirements-run.lock
	@$(PIP) --no-deps --no-build-isolation --no-index -e .
	@touch $@

$(STAMP): requirements.lock $(RUN_STAMP)
	@echo "Installing the packages for tests, documentation and every option"
	@$(PIP) --require-hashes -r requirements.lock
	@touch $@

setup: $(STAMP)  ## make .venv and install all locked packages into it

demo: $(RUN_STAMP)  ## the main job on invented data: prints the verdict and where the page is
	@$(BIN)/transfer demo

test: $(STAMP)  ## all tests but the long studies
	$(BIN)/python -m pytest -n 2 --dist loadfile

lint: $(STAMP)  ## style and formatting, nothing is changed
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

format: $(STAMP)  ## put formatting right
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

types: $(STAMP)  ## static types
	$(BIN)/mypy

layers: $(STAMP)  ## imports go one way between the rooms
	$(BIN)/lint-imports

architecture: $(STAMP)  ## the map in DEVELOPERS.md is the code's
	$(BIN)/python tests/architecture/check_map.py

# Studies import the invented players of the tests.
studies calibration: export PYTHONPATH := tests

studies: $(STAMP)  ## long studies (hours); tables into reports/studies
	$(BIN)/python tests/studies/growth_trials.py --out $(STUDIES)/growth-tables.md
	$(BIN)/python tests/studies/growth_laplace_vs_nuts.py --out $(STUDIES)/growth-laplace-vs-nuts.md
	$(BIN)/python tests/studies/mix_regret.py $(STUDIES)/mix-regret.md 120 20261125
	$(BIN)/python tests/studies/chosen_mix.py $(STUDIES)/chosen-mix.md 20 20261126
	$(BIN)/python tests/studies/transfer_operating.py --out $(STUDIES)
	$(BIN)/python tests/studies/forecast_worth.py --out $(STUDIES)
	$(BIN)/python tests/studies/roles_league.py --out $(STUDIES)
	$(BIN)/python tests/studies/returning_players.py --out $(STUDIES)
	$(BIN)/python tests/faults/fault_table.py --out $(STUDIES)/faults.md
	$(BIN)/python tests/hostile/fuzz_study.py --inputs 100000 --seed 20261125 --guided 60 --out $(STUDIES)/fuzz.md
	$(BIN)/python -m pytest -m slow

evidence: $(STAMP)  ## open records that nobody here made: readings, held-out forecasts (an hour)
	$(BIN)/python tests/studies/evidence.py

calibration: $(STAMP)  ## simulation-based calibration (hours)
	$(BIN)/python tests/studies/calibration.py --out $(STUDIES)

# The ways compared with are the extra `bench`; BENCH_PYTHON names another environment that holds
# them (pip install -e '.[bench]' there), so that this one keeps its locked versions.
bench: $(STAMP)  ## timings side by side with plain ways of doing the same
	$(BIN)/python tests/benchmarks/engine.py --out $(STUDIES)/engine.md
	$(BIN)/python tests/benchmarks/run.py --out $(STUDIES)/bench.md

# Hours the first time; may be stopped and taken up again, results wait in reports/mutants.jsonl.
mutants: $(STAMP)  ## plant mistakes one at a time, see whether tests notice (hours)
	@$(PIP) --no-build-isolation -e '.[mutants]'
	nice -n 19 $(BIN)/python tests/mutants/run.py --planted --report $(STUDIES)/mutants.md

docs: $(STAMP)  ## build the documentation into docs/_build
	$(BIN)/sphinx-build -W --keep-going -b html docs docs/_build/html

audit: $(STAMP)  ## known weaknesses (skipped offline), bill of materials, licences
	$(BIN)/python tests/supply/inventory.py audit
	$(BIN)/python tests/supply/inventory.py sbom sbom.cdx.json
	$(BIN)/python tests/supply/inventory.py licences docs/licences.md

# Holds for Python 3.12 and newer, every platform. The build backend is in it, so that the package
# itself can be installed without a second look at the network. What the job needs is a part of
# the whole, with the same versions.
compile = printf 'hatchling>=1.27\neditables>=0.5\n' | $(BIN)/uv pip compile pyproject.toml - \
	--universal --python-version 3.12 --generate-hashes --no-header \
	--no-annotate --no-emit-index-url --quiet

lock: $(STAMP)  ## renew both locks after a change of pyproject.toml
	@$(PIP) uv
	@$(compile) --extra pdf --extra docs --extra dev --extra cluster \
		--output-file requirements.lock
	@$(compile) --constraint requirements.lock --output-file requirements-run.lock

clean:  ## remove what can be made again; records, data and reports stay
	rm -rf $(VENV) .mypy_cache .pytest_cache .ruff_cache .hypothesis .import_linter_cache
	rm -rf build dist docs/_build *.egg-info
	find transfer tests -name __pycache__ -type d -prune -exec rm -rf {} +
