# make demo    the whole way on an invented module, no hardware needed
# make test    every check; sets itself up (virtual environment, Debian packages when root)
# make perf    measurements, printed as tables
# make docs    write the generated reference pages anew
# make picture the picture of the demo in the README
# make build   the wheel
# make clean   remove everything that was made
#
# PYTHON=...   the Python to start from (3.11 or newer)
# N=...        test processes at once (default 2)

PYTHON ?= python3
N ?= 2

# Everything is called through this Python, never by the scripts' own first lines, so that a path
# with blanks works too.
PY := .venv/bin/python
# The stamps' names hold the place, so that a moved folder is noticed.
PLACE := $(shell pwd | cksum | cut -d ' ' -f 1)
RUN_READY := .venv/ready-run-$(PLACE)
TEST_READY := .venv/ready-test-$(PLACE)

# What tests use: MIDI files of many hands, a synthesizer, a small SoundFont, a server for ports.
DEBIAN_TEST := simutrans-data freedoom openttd-openmsx \
	fluidsynth libfluidsynth3 timgm6mb-soundfont jackd2

.DEFAULT_GOAL := help
.PHONY: help demo test check lint format types layers unit debian perf docs picture build clean

# One line a step; the step's own output only when it fails.
quiet = @out=$$( { $(2) ; } 2>&1 ) && printf '%-44s fine\n' '$(1)' \
	|| { printf '%s\n' "$$out"; printf '%-44s FAILED\n' '$(1)'; exit 1; }

help:
	@sed -n '/^#/!q;s/^# \?//p' Makefile

$(RUN_READY): pyproject.toml
	@tools/venv.sh '$(PYTHON)' pdf,sound $@

$(TEST_READY): pyproject.toml
	@tools/venv.sh '$(PYTHON)' test $@
	@touch $(RUN_READY)

demo: $(RUN_READY)
	@$(PY) -m knobwright demo --into demo

test: lint format types layers unit

check: lint format types layers

lint: $(TEST_READY)
	$(call quiet,lint and documentation rules (ruff),$(PY) -m ruff check --quiet --output-format concise .)

format: $(TEST_READY)
	$(call quiet,format (ruff),$(PY) -m ruff format --check .)

types: $(TEST_READY)
	$(call quiet,types (mypy --strict),$(PY) -m mypy)

layers: $(TEST_READY)
	$(call quiet,one direction of dependencies (import-linter),$(PY) .venv/bin/lint-imports --no-logo)

unit: $(TEST_READY) debian
	@$(PY) -m pytest --no-header -n $(N)

debian:
	@tools/debian.sh $(DEBIAN_TEST)

perf: $(TEST_READY)
	@$(PY) -m perf

docs: $(TEST_READY)
	@$(PY) -m tools.reference

picture: $(TEST_READY)
	@$(PY) -m tools.picture

build: $(TEST_READY)
	$(call quiet,wheel in dist/,$(PY) -m pip wheel -qq --no-deps -w dist .)

clean:
	@rm -rf .venv build dist demo .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	@find src tests perf tools -name __pycache__ -type d -exec rm -rf {} +
