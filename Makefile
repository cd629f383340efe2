# Two commands do everything on a fresh Debian machine: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: fuzz fuzz-routes demo test setup lint types layers tests format clean

$(STAMP): requirements.lock pyproject.toml
	@sh .ci/system-packages
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --editable .
	$(BIN)/lessonmark weights
	@touch $(STAMP)

setup: $(STAMP)

demo: setup
	$(BIN)/lessonmark pack demo/lesson
	$(BIN)/lessonmark analyse demo/lesson

test: setup lint types layers tests

lint: setup
	$(BIN)/ruff check src tests bench
	$(BIN)/ruff format --check src tests bench

types: setup
	$(BIN)/mypy

layers: setup
	$(BIN)/lint-imports

tests: setup
	$(BIN)/python -m pytest -n 2

format: setup
	$(BIN)/ruff check --fix src tests bench
	$(BIN)/ruff format src tests bench

# The benches, by hand: make bench-accuracy, bench-positions, bench-measures, bench-club, ...
# ARGS passes a folder of rendered swings, or a bench's own options.
bench-%: setup
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python bench/$*.py $(ARGS)

# By hand: coverage-guided fuzzing of what reads files, and of every route; see docs/trust.md.
fuzz: setup
	$(BIN)/python -m pip install --quiet --disable-pip-version-check "atheris==3.0.0"
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(BIN)/python bench/fuzz.py $(ARGS)

fuzz-routes: setup
	$(BIN)/python bench/fuzz_routes.py $(ARGS)

clean:
	rm -rf $(VENV) out .out
