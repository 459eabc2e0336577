# make prove   set up what is missing, prove profiles/pier-kiosk.yaml, print the verdict
# make test    everything that holds the project: style, types, rooms, tests (with a real lab); leaves nothing running
# make bench   measure the bench itself: labs, overhead, radio link, stages, diagnosis, pages; into .bench/bench.json
# make clean   remove what was made here: .venv, caches, images; never runs/, which is evidence

PROFILE ?= profiles/pier-kiosk.yaml
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
	@for need in "docker-compose docker-compose" "ip iproute2" "ping iputils-ping" "tcpdump tcpdump" "openssl openssl" \
	  "ssh-keygen openssh-client" "tshark tshark" "chromium chromium"; do sh harness/setup/venv.sh --need $$need || exit; done
	@trap 'exit 130' INT TERM; \
	trap 'status=$$?; $(BIN)/branchproof release || status=$$(( status ? status : 3 )); exit $$status' EXIT; \
	$(BIN)/branchproof prepare && $(MAKE) --no-print-directory checks

# What needs no lab two at a time; then what has a browser, since Chromium drops its requests whenever a lab's interfaces
# come or go; then labs, one by one, and what is marked `alone`.
# pytest's exit 5 (nothing collected) fails like any other: a test that is not there has not passed.
checks: $(INSTALLED)
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m pytest -q -n 2 -m "not lab and not browser and not alone"
	$(BIN)/python -m pytest -q -n 2 -m "browser and not alone"
	$(BIN)/python -m pytest -q -m "lab or alone"

# ONLY=NAME makes one measurement; a wrong name lists them. `mutation` takes most of the time.
bench: $(INSTALLED)
	@sh harness/setup/venv.sh --need docker-compose docker-compose
	@sh harness/setup/venv.sh --need chromium chromium
	@$(BIN)/branchproof prepare
	@$(BIN)/python -m tests.bench $(if $(ONLY),--only $(ONLY))

clean:
	@if [ -e $(INSTALLED) ]; then $(BIN)/python -m harness.setup.images --remove; fi
	rm -rf .venv .bench .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache *.egg-info
	find harness emulators tests -name __pycache__ -type d -exec rm -rf {} +
