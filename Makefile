# Two commands for a new user: `make demo` and `make test`. The rest is for work on the code (DEVELOPERS.md).
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes

.PHONY: demo test soak fuzz docs calibration absence mutants lint format lock clean
.DELETE_ON_ERROR:

demo: $(VENV)/run.stamp
	@$(BIN)/lifebound demo

test: lint
	$(BIN)/python -m pytest

# Nothing lost, nothing invented: seeded simulations of the whole pipeline, then rounds for real with mosquitto, kills,
# cut connections and a failing disk; each ends in its table of faults. Needs mosquitto and gcc.
SEEDS := 2000
ROUNDS := 50
soak: $(VENV)/dev.stamp
	$(BIN)/python -m tests.simulation --seeds $(SEEDS)
	$(BIN)/python -m tests.soak --rounds $(ROUNDS)

# The same fuzz tests as in `make test`, with a hundred times the examples.
fuzz: $(VENV)/dev.stamp
	LIFEBOUND_FUZZ=deep $(BIN)/python -m pytest tests/fuzz --timeout 0

# The page of published values, written from the checks themselves.
docs: $(VENV)/dev.stamp
	$(BIN)/python -m tests.published.table

calibration: $(VENV)/dev.stamp
	$(BIN)/python -m benchmarks.calibration

# How long an absence of the monitor the shipped broker configuration covers; writes config/mosquitto/README.md.
absence: $(VENV)/dev.stamp
	$(BIN)/python -m benchmarks.absence

# Break the account in small ways, each in a copy of the tree, and see that the tests notice (some minutes).
mutants: $(VENV)/dev.stamp
	$(BIN)/python -m tests.mutations

lint: $(VENV)/dev.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo

format: $(VENV)/dev.stamp
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

$(VENV)/run.stamp: requirements/build.txt requirements/run.txt pyproject.toml
	@echo "setting up $(VENV) (once) ..."
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "lifebound needs Python 3.11 or newer; call make with PYTHON=/path/to/python3.x" >&2; exit 2; }
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(PIP) -r requirements/build.txt
	@$(PIP) -r requirements/run.txt
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/dev.stamp: $(VENV)/run.stamp requirements/dev.txt
	@$(PIP) -r requirements/dev.txt
	@touch $@

# Needs `uv` on the path. The files name versions and hashes, never a host.
LOCK := uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --no-annotate
lock:
	echo 'setuptools>=77' | $(LOCK) - --output-file requirements/build.txt
	$(LOCK) pyproject.toml --output-file requirements/run.txt
	$(LOCK) --extra dev pyproject.toml --constraints requirements/run.txt --output-file requirements/dev.txt

clean:
	rm -rf $(VENV) build *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
