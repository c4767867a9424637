# The doors of the house. `make demo` and `make test` set themselves up.
# Variables: PYTHON (an interpreter of 3.11 or newer), VENV, PYTEST (its arguments), ARGS (of holdfast).

VENV ?= .venv
ARGS ?=
PYTEST ?=
WORKERS ?= auto
export PYTHON

BIN := $(VENV)/bin
RUNTIME := $(VENV)/.runtime
DEVELOPMENT := $(VENV)/.development
COMPILE := --quiet --universal --python-version 3.11 --generate-hashes --no-header \
	--no-emit-index-url --no-emit-find-links $(if $(UPGRADE),--upgrade)

.PHONY: help setup demo test lint types lock bench-start bench-alert bench-judgement bench-early \
	bench-pulldown bench-backflow bench-worker bench-ingest bench-poison bench-late bench-outage bench-store \
	bench-scale bench-record chaos fuzz clean

help:
	@echo "make demo         an invented fleet on embedded services; prints the address and a login"
	@echo "make test         all tests (PYTEST='-k word tests/room' for some)"
	@echo "make setup        only the environment, with the command $(BIN)/holdfast"
	@echo "make lint types   style, imports between rooms, types"
	@echo "make lock         resolve requirements/*.in anew (UPGRADE=1: to the newest versions)"
	@echo "make bench-start bench-alert bench-judgement bench-early bench-pulldown bench-backflow bench-worker bench-ingest"
	@echo "make bench-poison bench-late bench-outage bench-store bench-scale bench-record"
	@echo "                  measurements, to bench/results"
	@echo "make chaos        loses, doubles or invents anything? (ARGS='--broker mosquitto --readings 2000000 --seed 1')"
	@echo "make fuzz         a million hostile inputs against the decoders (ARGS='--inputs 5000000 --seed 7')"
	@echo "make clean        take the environment and caches away; the demo's data stay"

setup: $(RUNTIME)

$(RUNTIME): requirements/runtime.txt requirements/build.txt pyproject.toml ops/setup.sh
	@sh ops/setup.sh "$(VENV)" runtime
	@touch "$@"

$(DEVELOPMENT): $(RUNTIME) requirements/development.txt tests/timescale/package-lock.json \
		tests/contract/package-lock.json tests/browser/package-lock.json
	@sh ops/setup.sh "$(VENV)" development
	@touch "$@"

demo: $(RUNTIME)
	@exec "$(BIN)/holdfast" demo $(ARGS)

test: $(DEVELOPMENT)
	"$(BIN)/python" -m pytest -n $(WORKERS) --maxprocesses 8 $(PYTEST)

lint: $(DEVELOPMENT)
	"$(BIN)/ruff" check .
	"$(BIN)/ruff" format --check .
	"$(BIN)/lint-imports"

types: $(DEVELOPMENT)
	"$(BIN)/mypy"

lock: $(DEVELOPMENT)
	cd requirements && for name in runtime build development; do \
		"$(CURDIR)/$(BIN)/uv" pip compile $(COMPILE) $$name.in -o $$name.txt || exit 1; \
	done

bench-start: $(RUNTIME)
	"$(BIN)/python" -m bench.start $(ARGS)

bench-alert: $(RUNTIME)
	"$(BIN)/python" -m bench.alert $(ARGS)

bench-judgement: $(RUNTIME)
	OMP_NUM_THREADS=1 "$(BIN)/python" -m bench.judgement $(ARGS)

bench-early: $(RUNTIME)
	OPENBLAS_NUM_THREADS=1 nice "$(BIN)/python" -m bench.early $(ARGS)

bench-pulldown: $(RUNTIME)
	OMP_NUM_THREADS=1 "$(BIN)/python" -m bench.pulldown $(ARGS)

bench-backflow: $(RUNTIME)
	OMP_NUM_THREADS=1 "$(BIN)/python" -m bench.backflow $(ARGS)

bench-worker: $(RUNTIME)
	"$(BIN)/python" -m bench.worker $(ARGS)

bench-scale: $(RUNTIME)
	"$(BIN)/python" -m bench.scale $(ARGS)

bench-ingest: $(RUNTIME)
	"$(BIN)/python" -m bench.ingest $(ARGS)

bench-store: $(DEVELOPMENT)
	"$(BIN)/python" -m bench.store $(ARGS)

bench-poison: $(RUNTIME)
	"$(BIN)/python" -m bench.poison $(ARGS)

bench-late: $(RUNTIME)
	"$(BIN)/python" -m bench.late $(ARGS)

bench-outage: $(RUNTIME)
	"$(BIN)/python" -m bench.outage $(ARGS)

bench-record: $(RUNTIME)
	"$(BIN)/python" -m bench.record $(ARGS)

chaos: $(RUNTIME)
	"$(BIN)/python" -m bench.chaos $(ARGS)

fuzz: $(RUNTIME)
	"$(BIN)/python" -m bench.fuzz $(ARGS)

clean:
	rm -rf "$(VENV)" .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
