# Every target sets up what it needs: Python 3.11 or newer and make are enough.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
BENCHES := $(VENV)/.benches
# Tools that look at the project from outside have an environment of their own, and so has what an installation consists of.
AUDITS := build/audits
RUNTIME := build/runtime
WHEELS := build/wheelhouse
ARGS ?=
# What writes six million messages comes last: what is timed after it is slower for a while. Scaling compares nothing and is asked for.
BENCHMARKS ?= ingest rewriting freshness streams figures history flood memory

# Tests and faults start the service again and again: what Python compiles is kept, whatever the environment says.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help demo test test-both faults kills week soak drill upgrade mutants check bench bench-small lock format clean wheelhouse sbom licences audit

help:
	@echo "make demo    two simulated cells work a shift; ARGS=--once ends after it"
	@echo "make test    all tests; says what was skipped, and why (ARGS goes to pytest)"
	@echo "make test-both  the same; what runs on one of the two databases in make test runs on both, and with more examples"
	@echo "make faults  the whole table of faults, a line for each (ARGS goes to pytest)"
	@echo "make kills   500 kill -9 on SQLite and 500 on PostgreSQL, while cells send"
	@echo "make week    a week of 30 cells, shuffled and with duplicates, against the truth, on SQLite and PostgreSQL"
	@echo "make soak    30 minutes of random faults on each database; writes what it measured to docs/soak"
	@echo "make drill   backup, loss and restore on both databases while cells send, timed"
	@echo "make upgrade FORMER=folder  from an earlier version, whose sources lie there, to this one and back, on data"
	@echo "make mutants builds with one defect each, and the test that catches it"
	@echo "make check   format, lint, types, import contracts"
	@echo "make bench   all that is compared with a raw baseline of the same run, and a table of it; an hour or two (BENCHMARKS=... some of it, or scaling)"
	@echo "make bench-small  the same in small: only that they run"
	@echo "make wheelhouse  all wheels of an installation, for a machine without a network (ARGS goes to pip download)"
	@echo "make sbom    what an installation consists of, as CycloneDX: build/sbom.json"
	@echo "make licences  the same with licences: docs/licences.md"
	@echo "make audit   bandit on the sources, pip-audit on the lock"
	@echo "make format  rewrite the sources as 'make check' wants them"
	@echo "make clean   remove the environment and all caches"

demo: $(READY)
	$(BIN)/zoneledger demo $(ARGS)

# Four at once on two cores, as tests wait for a third of their time.
test: $(READY)
	$(BIN)/python -m pytest -rs -n 4 --dist worksteal -m "not benchmark and not cluster" $(ARGS)

test-both: export ZONELEDGER_TEST_BOTH = 1
test-both: export ZONELEDGER_EXAMPLES ?= 40
test-both: test

bench-small: $(READY)
	$(BIN)/python -m pytest -rs -n 2 --dist worksteal -m benchmark $(ARGS)

faults: $(READY)
	ZONELEDGER_FAULTS=full $(BIN)/python -m pytest -q tests/faults/test_table.py tests/faults/test_clustered_broker.py $(ARGS)

kills: $(READY)
	$(BIN)/python -m tests.faults.killing --database sqlite $(ARGS)
	$(BIN)/python -m tests.faults.killing --database postgresql $(ARGS)

week: $(READY)
	$(BIN)/python -m tests.faults.week --database sqlite $(ARGS)
	$(BIN)/python -m tests.faults.week --database postgresql $(ARGS)

soak: $(READY)
	$(BIN)/python -m tests.faults.soak --database sqlite --into docs/soak $(ARGS)
	$(BIN)/python -m tests.faults.soak --database postgresql --into docs/soak $(ARGS)

drill: $(READY)
	$(BIN)/python -m tests.faults.drill $(ARGS)

upgrade: $(READY)
	$(BIN)/python -m tests.faults.upgrade --former $(FORMER) $(ARGS)

mutants: $(READY)
	$(BIN)/python -m tests.faults.mutants $(ARGS)

check: $(READY)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(BENCHES)
	mkdir -p build/bench
	set -e; for one in $(BENCHMARKS); do $(BIN)/python -m benchmarks.$$one --json build/bench/$$one.json; done
	$(BIN)/python -m benchmarks.table $(BENCHMARKS:%=build/bench/%.json)

wheelhouse: $(READY)
	rm -rf $(WHEELS)
	mkdir -p $(WHEELS)
	$(BIN)/python -m pip download --disable-pip-version-check --quiet --require-hashes --only-binary :all: \
		--dest $(WHEELS) -r requirements-runtime.lock $(ARGS)
	$(BIN)/python -m pip wheel --disable-pip-version-check --quiet --no-deps --no-build-isolation --wheel-dir $(WHEELS) .
	cp requirements-runtime.lock $(WHEELS)
	cd $(WHEELS) && sha256sum * > SHA256SUMS

sbom: $(AUDITS)/.ready $(RUNTIME)/.ready
	$(AUDITS)/bin/cyclonedx-py environment --pyproject pyproject.toml --mc-type application --output-reproducible \
		--output-format JSON --output-file build/sbom.json $(RUNTIME)/bin/python

licences: $(AUDITS)/.ready $(RUNTIME)/.ready
	$(BIN)/python -m tests.docs.licences $(AUDITS)/bin/pip-licenses $(RUNTIME)/bin/python

audit: $(AUDITS)/.ready
	$(AUDITS)/bin/bandit --quiet --recursive --severity-level medium service adapters deploy
	@$(AUDITS)/bin/pip-audit --strict --require-hashes --disable-pip --progress-spinner off --requirement requirements-runtime.lock || \
		{ echo "pip-audit found something, or could not ask: then nothing is known of advisories for these versions" >&2; exit 1; }

format: $(READY)
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

clean:
	rm -rf $(VENV) $(AUDITS) $(RUNTIME) $(WHEELS) .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis

# The lock names a hash for every file; the project itself needs nothing beyond it.
$(READY): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed: make PYTHON=python3.12")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip --version >/dev/null 2>&1 || $(BIN)/python -m ensurepip
	$(BIN)/python -m pip install --disable-pip-version-check --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --disable-pip-version-check --quiet --no-deps --no-build-isolation --editable .
	touch $@

$(BENCHES): requirements-bench.lock $(READY)
	$(BIN)/python -m pip install --disable-pip-version-check --quiet --require-hashes -r requirements-bench.lock
	touch $@

$(AUDITS)/.ready: requirements-audit.lock $(READY)
	$(PYTHON) -m venv --clear $(AUDITS)
	$(AUDITS)/bin/python -m pip install --disable-pip-version-check --quiet --require-hashes -r requirements-audit.lock
	touch $@

$(RUNTIME)/.ready: requirements-runtime.lock $(READY)
	$(PYTHON) -m venv --clear --without-pip $(RUNTIME)
	$(BIN)/python -m pip --python $(RUNTIME)/bin/python install --disable-pip-version-check --quiet --require-hashes \
		-r requirements-runtime.lock
	touch $@

# Run by hand after a change of dependencies in pyproject.toml; names no registry.
lock: $(READY)
	$(BIN)/uv pip compile pyproject.toml --group dev --universal --python-version 3.11 --generate-hashes \
		--no-annotate --no-header --quiet --output-file requirements.lock
	$(BIN)/uv pip compile pyproject.toml --constraints requirements.lock --universal --python-version 3.11 --generate-hashes \
		--no-annotate --no-header --quiet --output-file requirements-runtime.lock
	$(BIN)/uv pip compile --group bench --universal --python-version 3.11 --generate-hashes \
		--no-annotate --no-header --quiet --output-file requirements-bench.lock
	$(BIN)/uv pip compile --group audit --universal --python-version 3.11 --generate-hashes \
		--no-annotate --no-header --quiet --output-file requirements-audit.lock
