# make demo: the main job.  make test: everything that must stay true.  Both set up what they need.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
DEMO_DAY ?= demo-day

.PHONY: demo test check bench hardware clean

demo: $(READY)
	rm -rf $(DEMO_DAY)
	$(BIN)/apexfix demo --out $(DEMO_DAY)

test: check
	$(BIN)/pytest -n 2

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(READY)
	for bench in bench/*.py; do echo "== $$bench"; $(BIN)/python $$bench || exit 1; done

# Every drawing and, where OpenSCAD is installed, every printed part, into build/hardware.
hardware: $(READY)
	$(BIN)/python hardware/render.py build/hardware

# A bare Debian has a python3 without the venv module; there it is installed when we may.
$(READY): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "Python 3.11 or newer is needed; $(PYTHON) is $$($(PYTHON) --version 2>&1). Try: make PYTHON=python3.12"; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then apt-get update -q && apt-get install -qy python3-venv; \
	  else echo "Python's venv module is missing. On Debian and Ubuntu: sudo apt install python3-venv"; exit 1; fi; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check --editable '.[dev]'
	@touch $@

clean:
	rm -rf $(VENV) $(DEMO_DAY) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache
