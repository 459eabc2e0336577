# make prove   set up what is missing, prove profiles/pier-kiosk.yaml, print the verdict
# make test    everything that holds the project: style, types, rooms, tests (with a real lab); leaves nothing running
# make bench   prove it RUNS times and print how long each stage took
# make clean   remove what was made here: .venv, caches, images; never runs/, which is evidence

PROFILE ?= profiles/pier-kiosk.yaml
RUNS ?= 5
BIN := .venv/bin
INSTALLED := .venv/.installed

.PHONY: prove test checks bench clean
.DEFAULT_GOAL := prove

$(INSTALLED): pyproject.toml harness/setup/venv.sh
	@sh harness/setup/venv.sh

prove: $(INSTALLED)
	@$(BIN)/branchproof prepare && $(BIN)/branchproof prove $(PROFILE)

# The engine that prepare may have started is stopped on every way out, Ctrl-C too; the first failure is the outcome.
test: $(INSTALLED)
	@sh harness/setup/venv.sh --need docker-compose docker-compose
	@trap 'exit 130' INT TERM; \
	trap 'status=$$?; $(BIN)/branchproof release || status=$$(( status ? status : 3 )); exit $$status' EXIT; \
	$(BIN)/branchproof prepare && $(MAKE) --no-print-directory checks

# pytest's exit 5 (nothing collected) fails like any other: a test that is not there has not passed.
checks: $(INSTALLED)
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m pytest -q

define SPREAD
import json, pathlib, statistics
runs = [json.loads(path.read_text()) for path in sorted(pathlib.Path(".bench").rglob("verdict.json"))]
print(f"{sum(run['proven'] for run in runs)} of {len(runs)} runs proven; seconds: least, median, most")
for number, stage in enumerate(runs[0]["stages"]):
    took = [run["stages"][number]["took_s"] for run in runs]
    took = [value for value in took if value is not None] or [float("nan")]
    print(f"{stage['stage']:24}{min(took):8.2f}{statistics.median(took):8.2f}{max(took):8.2f}")
endef
export SPREAD

bench: $(INSTALLED)
	@$(BIN)/branchproof prepare
	@rm -rf .bench
	@for run in $$(seq $(RUNS)); do $(BIN)/branchproof prove $(PROFILE) --out .bench || echo "run $$run: exit $$?"; done
	@$(BIN)/python -c "$$SPREAD"

clean:
	@if [ -e $(INSTALLED) ]; then $(BIN)/python -m harness.setup.images --remove; fi
	rm -rf .venv .bench .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache *.egg-info
	find harness emulators tests -name __pycache__ -type d -exec rm -rf {} +
