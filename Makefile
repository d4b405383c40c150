# `make serve` and `make test` set up everything they need in .venv from the lock files.

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
HOST ?= 127.0.0.1
PORT ?= 8000

.PHONY: serve test lint check bench load soak phrases latency detection logbench readme openapi lock clean

serve: $(VENV)/run.stamp
	$(BIN)/prepull serve --host $(HOST) --port $(PORT)

test: $(VENV)/dev.stamp
	$(BIN)/prepull kb check
	$(BIN)/python -m pytest -n auto --dist loadscope

lint: $(VENV)/dev.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

check: $(VENV)/run.stamp
	$(BIN)/prepull kb check

bench: $(VENV)/dev.stamp
	$(BIN)/python -m tests.bench

load: $(VENV)/dev.stamp
	$(BIN)/python -m tests.bench.load

openapi: $(VENV)/run.stamp
	$(BIN)/python -m api.openapi > docs/openapi.json

soak: $(VENV)/dev.stamp
	$(BIN)/python -m tests.soak.chaining_soak --cases 100000

phrases: $(VENV)/dev.stamp
	$(BIN)/python -m tests.phrases

detection: $(VENV)/dev.stamp
	$(BIN)/python -m tests.logs.detection

logbench: $(VENV)/dev.stamp
	$(BIN)/python -m tests.bench.logs

latency: $(VENV)/dev.stamp
	$(BIN)/python -m tests.desk.latency

readme: $(VENV)/dev.stamp
	$(BIN)/python -m tests.test_readme

lock: $(VENV)/bin/python
	$(BIN)/pip install --quiet 'uv>=0.5'
	$(BIN)/uv pip compile --quiet --universal --generate-hashes --no-annotate --no-header --no-emit-index-url \
	    pyproject.toml --output-file requirements.lock
	$(BIN)/uv pip compile --quiet --universal --generate-hashes --no-annotate --no-header --no-emit-index-url \
	    --extra dev pyproject.toml --output-file requirements-dev.lock

clean:
	rm -rf $(VENV)

$(BIN)/python:
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Prepull needs Python 3.11 or newer")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/run.stamp: requirements.lock pyproject.toml | $(BIN)/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps -e .
	touch $@

$(VENV)/dev.stamp: requirements-dev.lock $(VENV)/run.stamp
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	touch $@
