# Each target works as the first command in a fresh clone; it needs python3 with venv,
# make and a package registry. Everything is written inside this folder.

PYTHON ?= python3
BIN := .venv/bin
# Most tests wait for their peers, so more of them run at a time than there are cores.
TOGETHER := -n 4 --dist worksteal
# What may be asked of the search, as `make search NAME=value`.
SEARCH := KIND SEEDS FROM DAYS SEED HOURS ONLY JSON

export PIP_DISABLE_PIP_VERSION_CHECK = 1
export PIP_NO_CACHE_DIR = 1
export PIP_NO_INPUT = 1
# Compiled modules are kept, whatever the machine is set to: the tests start hundreds of
# processes, and each would compile them all again.
export PYTHONDONTWRITEBYTECODE =

.DEFAULT_GOAL := help
.PHONY: help demo test check search lint bench deb man clean requirements

help:
	@echo "make demo          a week of an invented museum in virtual time, into demo/"
	@echo "make test          the tests, at most 3 minutes"
	@echo "make check         the slower suites and the browser tests"
	@echo "make search        hunt in random worlds for a broken promise (SEEDS=N, DAYS=N, SEED=N)"
	@echo "make lint          style, types and import layers"
	@echo "make bench         measure the numbers we promise"
	@echo "make deb           the Debian package, into build/"
	@echo "make man           the man pages and shell completions, into build/manual/"
	@echo "make requirements  pin requirements again (UPGRADE=--upgrade for newer ones)"
	@echo "make clean         remove all that was made here"

demo: .venv/.runtime
	$(BIN)/tidegate demo

test: .venv/.test
	$(BIN)/python -m pytest $(TOGETHER)

check: .venv/.browser
	$(BIN)/python -m pytest -m slow $(TOGETHER) --ignore tests/bench
	$(BIN)/python -m pytest -m slow -s tests/bench

search: .venv/.test
	PYTHONPATH=tests $(BIN)/python -m support.search \
		$(strip $(foreach name,$(SEARCH),$(if $($(name)),'$(name)=$($(name))')))

lint: .venv/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: .venv/.test
	$(BIN)/python -m pytest -m "slow or not slow" -p no:randomly tests/bench \
		$(if $(JSON),--figures-json '$(JSON)')

deb: .venv/.runtime
	packaging/deb/build

man: .venv/.runtime
	$(BIN)/python packaging/manual build/manual

requirements:
	packaging/lock $(UPGRADE)

clean:
	rm -rf .venv demo build dist .pytest_cache .mypy_cache .ruff_cache \
		.hypothesis .import_linter_cache
	find daemon backends tests -name __pycache__ -prune -exec rm -rf {} +

# Stamps: a step runs again only when what it was made from has changed.

.venv/.made:
	@echo "making .venv"
	@$(PYTHON) -m venv .venv
	@touch $@

.venv/.runtime: .venv/.made packaging/requirements.txt pyproject.toml
	@echo "installing what tidegate needs"
	@$(BIN)/pip install --quiet --require-hashes -r packaging/requirements.txt
	@$(BIN)/pip install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

.venv/.test: .venv/.runtime packaging/requirements-test.txt
	@echo "installing what its tests need"
	@$(BIN)/pip install --quiet --require-hashes -r packaging/requirements-test.txt
	@# Compiles the tests once; else each process that runs some would compile them all.
	@# What is wrong with one of them, the tests will say.
	@$(BIN)/python -m pytest --collect-only -qq >/dev/null || true
	@touch $@

.venv/.browser: .venv/.test packaging/requirements-browser.txt
	@echo "installing what its browser tests need"
	@$(BIN)/pip install --quiet --require-hashes -r packaging/requirements-browser.txt
	@touch $@
