# The one command surface, for people and for CI.
.PHONY: demo test science bench package docs lint install clean
.DEFAULT_GOAL := help

PYTHON := /usr/bin/python3
VENV := build/venv
VPYTHON := $(VENV)/bin/python
# One worker a core; tests of one file stay together, for they share what they set up.
SPREAD := -n auto --dist loadfile
HOST := QT_QPA_PLATFORM=offscreen PYTHONDONTWRITEBYTECODE=1

help:
	@echo "make demo     run the whole job on the sample survey, into build/demo/"
	@echo "make test     run every test and check"
	@echo "make bench    measure, side by side"
	@echo "make package  make the zip for the host's plugin manager"
	@echo "make docs     make the guide's pictures and step pages anew"

install:
	@tools/install host

demo: install
	@$(HOST) $(PYTHON) tools/demo.py

$(VENV)/.ready: tools/install $(wildcard tools/requirements*.txt)
	@tools/install tests
	@touch $@

# The science once by itself, on the newest NumPy and SciPy and without QGIS, then everything.
test: install $(VENV)/.ready lint science
	@$(HOST) $(VPYTHON) -m pytest $(SPREAD)

science: $(VENV)/.ready
	@echo "The science without QGIS, on the newest NumPy and SciPy:"
	@build/science/bin/python -m pytest -p no:cacheprovider $(SPREAD) -W ignore::pytest.PytestConfigWarning tests/algorithms

lint: $(VENV)/.ready
	@$(VENV)/bin/ruff check .
	@$(VENV)/bin/ruff format --check .
	@build/types/bin/mypy

build/bench/.ready: tools/install tools/requirements.txt tools/requirements-bench.txt
	@tools/install bench
	@touch $@

bench: install build/bench/.ready
	@$(HOST) build/bench/bin/python -m tests.benchmarks.run

package:
	@$(PYTHON) tools/package.py

docs: install
	@$(HOST) $(PYTHON) tools/docs.py

clean:
	rm -rf build
