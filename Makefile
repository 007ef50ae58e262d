# A fresh machine needs python3 (3.11 or later) and make; everything else goes into .venv.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: setup demo test lint types bench clean

setup: $(READY)

$(READY): pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Fettlebox needs Python 3.11 or later; this is $$($(PYTHON) --version). Try: make PYTHON=python3.12 …"; exit 2; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Installing into $(VENV) (a minute or two the first time) …"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --upgrade "pip>=24" "setuptools>=77"
	@PYTHONWARNINGS=ignore $(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable ".[test,dev]"
	@touch $(READY)

demo: setup
	@$(BIN)/fettlebox demo

test: setup
	@$(BIN)/python -m pytest -n auto --dist loadgroup

lint: setup
	@$(BIN)/ruff check . && $(BIN)/ruff format --check .

types: setup
	@$(BIN)/mypy

bench: setup
	@$(BIN)/python -m benchmarks $(if $(FULL),--full)

clean:
	rm -rf $(VENV) demo_shop build dist .pytest_cache .mypy_cache .ruff_cache
