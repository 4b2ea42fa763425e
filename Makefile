# Two commands do everything: `make run` and `make test`. PORT= and DATABASE_URL= are taken from the command line.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
PORT ?= 8080
WORKERS ?= auto
DATABASE_URL ?= sqlite:///closure-readings.sqlite3
LOCK := $(BIN)/uv pip compile pyproject.toml --universal --python-version 3.11 --generate-hashes \
	--no-emit-index-url --no-header --no-annotate --all-extras -q

.PHONY: help run test check bench openapi golden locks sbom audit spark clean
help:  ## what can be made
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*##/:/'

$(VENV)/.run: requirements/run.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/run.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $@

$(VENV)/.dev: requirements/dev.lock $(VENV)/.run
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/dev.lock
	touch $@

run: $(VENV)/.run  ## set up, load the examples into an empty database, serve on 127.0.0.1:$(PORT)
	DATABASE_URL="$(DATABASE_URL)" $(BIN)/closure-readings serve --port $(PORT) --examples-when-empty

test: $(VENV)/.dev  ## set up and run the whole suite
	$(BIN)/python -m pytest -n $(WORKERS) --dist loadfile $(PYTEST)

check: $(VENV)/.dev  ## lint, types, direction of imports, generated files and lock files current
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/mypy tests/bench
	$(BIN)/lint-imports --no-cache
	$(BIN)/python -m service.fhir.r4.generate --check
	$(BIN)/closure-readings reference --check
	$(BIN)/closure-readings openapi --check openapi/openapi.json
	$(BIN)/python examples/regenerate.py --check
	cp requirements/run.lock requirements/dev.lock $(VENV)
	$(LOCK) -o $(VENV)/run.lock && diff -q $(VENV)/run.lock requirements/run.lock
	$(LOCK) --group dev -o $(VENV)/dev.lock && diff -q $(VENV)/dev.lock requirements/dev.lock

spark: $(VENV)/.dev  ## the registry's cohort on Spark too (needs Java 17; about 500 MB)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/spark.lock
	$(BIN)/python -m pytest -k spark tests/registry

bench: $(VENV)/.dev  ## ratios within one run
	$(BIN)/python -m tests.bench

openapi: $(VENV)/.dev  ## write openapi/openapi.json again
	$(BIN)/closure-readings openapi > openapi/openapi.json

golden: $(VENV)/.dev  ## write the golden Bundles of the examples again
	$(BIN)/python examples/regenerate.py

locks: $(VENV)/.dev  ## pin again what pyproject.toml allows
	$(LOCK) --upgrade -o requirements/run.lock
	$(LOCK) --upgrade --group dev -o requirements/dev.lock

sbom: $(VENV)/.dev  ## write the bill of materials (CycloneDX) to sbom.json
	$(BIN)/python -m tests.supply.sbom > sbom.json

audit: $(VENV)/.dev  ## known faults of the pinned dependencies, where the advisories can be had
	$(BIN)/python -m tests.supply.audit

clean:  ## forget the environment and caches
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis dist build
