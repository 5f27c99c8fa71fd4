# People and CI use the same commands. Needs Python 3.11+ and make; everything else is set up in .venv.

PY ?= python3
# More at a time is quicker, and too much for people at pages who must see and press in time.
WORKERS ?= 2
BIN := .venv/bin

.PHONY: demo test check bench pictures schemas commands gases services clean

demo: .venv/run.ready  ## the whole job on the simulated installation
	$(BIN)/gaswitness demo --out demo-out

test: .venv/test.ready services  ## set up and run all tests
	$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal

check: .venv/check.ready  ## what must be clean before a commit lands
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(MAKE) test

bench: .venv/test.ready  ## measure, print the table, write docs/benchmarks.md
	$(BIN)/python -m bench

pictures: .venv/test.ready  ## make the pictures in docs/ again
	$(BIN)/python scripts/make_paper_pictures.py
	$(BIN)/python scripts/make_years_picture.py
	$(BIN)/python scripts/make_pictures.py

schemas: .venv/run.ready  ## make schemas/ again from the records
	$(BIN)/python scripts/make_schemas.py

commands: .venv/run.ready  ## make docs/commands.md again from the help texts
	$(BIN)/python scripts/make_commands_page.py

gases: .venv/run.ready  ## make docs/gases.md again from the gas table
	$(BIN)/python scripts/make_gases_page.py

services: ## programs from Debian that tests talk to; a no-op where they are or may not be installed
	@sh scripts/services.sh

.venv/pip.ready:
	sh scripts/make_venv.sh "$(PY)"
	touch $@

.venv/run.ready: .venv/pip.ready pyproject.toml
	$(BIN)/pip install --quiet --editable .
	touch $@

.venv/test.ready: .venv/run.ready
	$(BIN)/pip install --quiet --group test
	touch $@

.venv/check.ready: .venv/test.ready
	$(BIN)/pip install --quiet --group check
	touch $@

clean:
	rm -rf .venv build dist demo-out test-output .pytest_cache .mypy_cache .ruff_cache .hypothesis
