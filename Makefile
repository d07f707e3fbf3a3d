# Two commands do everything on a fresh machine: `make demo` and `make test`.
# Needs Python 3.11 to 3.14 with venv; the rest goes into .venv.

PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
DEMO   ?= demo-bench
JOBS   ?= 2

.DEFAULT_GOAL := help
.PHONY: wheel-check fuzz mutants help setup setup-dev demo test test-all check lint types floors docs notice serve bench lock clean field field-docs

help:
	@echo "make demo      set up, build the demo bench, measure it, say where the report is"
	@echo "make test      set up and run the tests (test-all: with the slow ones)"
	@echo "make serve     open the demo bench in a browser"
	@echo "make check     lint, types, floors"
	@echo "make fuzz      fuzz our own readers (with atheris, if it is installed)"
	@echo "make mutants   put deliberate faults in, one by one, and see tests fail"
	@echo "make bench     print speed ratios"
	@echo "make wheel-check  build wheel and sdist, install each in a new environment, run selfcheck --quick"
	@echo "make field     fetch the open clips and logs of tests/field (field-docs: rewrite docs/field.md)"
	@echo "make docs      build the documentation into docs/_build"

$(VENV)/.made:
	@$(PYTHON) -c 'import sys; ok = (3, 11) <= sys.version_info[:2] < (3, 15); sys.exit(0 if ok else "Seeworthy needs Python 3.11 to 3.14; call make with PYTHON=python3.12 or another.")'
	$(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/.ready: $(VENV)/.made requirements.lock pyproject.toml
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps -e .
	@touch $@

$(VENV)/.ready-dev: $(VENV)/.ready requirements-dev.lock
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements-dev.lock
	@touch $@

setup: $(VENV)/.ready
setup-dev: $(VENV)/.ready-dev

demo: setup
	$(BIN)/seeworthy demo $(DEMO)

test: setup-dev
	$(BIN)/python -m pytest -n $(JOBS)

test-all: setup-dev
	$(BIN)/python -m pytest -n $(JOBS) -m "slow or not slow"

FUZZ_SECONDS ?= 120
fuzz: setup-dev
	@for reader in quantity listing toml table correction backup package inside log boxes purpose curve; do \
	  mkdir -p tests/faults/corpus/$$reader; \
	  PYTHONPATH=tests $(BIN)/python tests/faults/fuzz.py $$reader -max_total_time=$(FUZZ_SECONDS) \
	    tests/faults/corpus/$$reader || exit 1; done

mutants: setup-dev
	$(BIN)/python tests/mutants/run.py

check: lint types floors

lint: setup-dev
	$(BIN)/ruff check src tests benchmarks docs
	$(BIN)/ruff format --check src tests benchmarks docs

types: setup-dev
	$(BIN)/mypy

floors: setup-dev
	$(BIN)/lint-imports

docs: setup-dev
	$(BIN)/python docs/make_reference.py
	$(BIN)/python -m sphinx -W --keep-going -b html docs docs/_build/html
	@echo "Open docs/_build/html/index.html"

field: setup-dev
	$(BIN)/python tests/field_data.py fetch

field-docs: setup-dev
	$(BIN)/python docs/make_field.py

serve: setup
	test -d $(DEMO) || $(BIN)/seeworthy demo $(DEMO)
	$(BIN)/seeworthy serve --bench $(DEMO)

bench: setup-dev
	$(BIN)/python benchmarks/all.py

# PYTHONS: which interpreters, such as "python3.11 python3.13"; default: all that are found.
wheel-check: setup-dev
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/python tests/wheel_check.py $(PYTHONS)

notice: setup
	$(BIN)/python docs/make_notice.py

# Rewrites both locks; no index address is written into them.
lock: setup-dev
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 pyproject.toml --generate-hashes --no-emit-index-url --no-header --no-annotate -o requirements.lock
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 pyproject.toml --all-extras -c requirements.lock --generate-hashes --no-emit-index-url --no-header --no-annotate -o requirements-dev.lock

clean:
	rm -rf $(VENV) docs/_build docs/api $(DEMO)
