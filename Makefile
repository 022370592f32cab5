# Everything that is done to this project by hand or by CI.
PYTHON ?= python3
BIN := .venv/bin
# Compile what is installed once, also where Python is told not to: otherwise every command would do it again.
keep = $(BIN)/python -m compileall -q fhircare && env -u PYTHONDONTWRITEBYTECODE $(BIN)/python -c \
  "from fhircare.check.compile import Compiler; from fhircare.spec import RELEASES, definitions; [Compiler(definitions(r)).keep_all() for r in RELEASES]"
.PHONY: demo test test-servers test-spark lint golden guide bench courses spec conformance clean

# The main job on the example records, offline: bundles, reports, handouts, calendars in build/demo/.
demo: .venv/installed
	@sh .ci/system drawing
	$(BIN)/fhircare demo -o build/demo

# Everything a change must keep: lint, types, the import rule, all tests.
test: .venv/tested
	@sh .ci/system drawing
	@sh .ci/system browser
	$(MAKE) --no-print-directory lint
	$(BIN)/pytest -q

# Style, types and the one way through the house.
lint: .venv/tested
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy
	$(BIN)/lint-imports

# Rewrite the golden files and the example bundles, to be read before they are committed.
golden: .venv/tested
	$(BIN)/fhircare demo --bundles examples/bundles
	$(BIN)/fhircare convert examples/bundles/anna-first-locking.json --fhir R5 -o examples/r5/anna-first-locking.json
	$(BIN)/python -m tests.guide -o docs/guide.md
	$(BIN)/pytest -q --golden-update

# The page on our own profiles, from their definitions and the example bundles; a test holds it to them.
guide: .venv/tested
	$(BIN)/python -m tests.guide -o docs/guide.md

# How fast, as ratios against a named baseline in the same run.
bench: .venv/tested
	$(BIN)/python -m tests.bench

# Thousands of invented courses through the rules of following; what they came to is docs/simulation.md.
courses: .venv/tested
	$(BIN)/python -m tests.bench.courses -o docs/simulation.md

# Distil the standard's definitions again, from HL7's packages (fhircare/spec/SOURCES.md says which):
# make spec R4=hl7.fhir.r4.core-4.0.1.tgz R5="hl7.fhir.r5.core-5.0.0.tgz hl7.terminology-5.1.0.tgz ..."
spec: .venv/tested
	$(if $(R4),$(BIN)/python -m fhircare.spec.vendor fhircare/spec/r4 $(R4))
	$(if $(R5),$(BIN)/python -m fhircare.spec.vendor fhircare/spec/r5 $(R5))

# The check against every fault we can make, and beside HL7's reference validator and an independent third.
conformance: .venv/tested
	$(BIN)/python -m tests.conformance --prepare
	$(BIN)/python -m tests.conformance --all
	$(BIN)/python -m tests.conformance --all --fhir R5
	$(BIN)/python -m tests.conformance --oracles 8
	$(BIN)/python -m tests.conformance.profiles 8.0.0 --each 8
	$(BIN)/python -m tests.conformance.own_profiles

# The exchange against three real FHIR servers on loopback, one after another: one of npm packages (R4), HAPI FHIR
# of R4 and of R5; all fetched at their pinned versions; needs Node.js, a JDK of 17 or later, and Maven. What cannot
# be fetched is left out and said; in CI (CI set) that is an error.
test-servers: .venv/tested
	@sh .ci/system servers
	$(BIN)/python -m tests.servers.launch
	$(BIN)/pytest -q -rs -o 'python_files=real_*.py' tests/servers

# The recipe for Spark, on Spark itself in local mode: byte for byte what `fhircare bulk` gives. Needs Java 17 or
# later, installed where that may be done; without it this fails.
test-spark: .venv/tested
	@sh .ci/system java
	$(BIN)/python -m pip install --quiet --editable '.[spark]'
	FHIRCARE_SPARK=1 $(BIN)/pytest -q -rs tests/test_bulk_spark.py

clean:
	rm -rf build dist .venv

.venv/bin/python:
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --upgrade pip

.venv/installed: pyproject.toml | .venv/bin/python
	$(BIN)/python -m pip install --quiet --editable .
	$(keep)
	touch $@

.venv/tested: pyproject.toml | .venv/bin/python
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	$(keep)
	touch $@
