# `make demo` and `make test` do all the set-up on a Debian-like machine with the Rust toolchain. Neither asks anything.

CARGO ?= cargo
DEMO := target/demo
EVENBASS := $(CARGO) run --locked --quiet --

.PHONY: demo test bench docs needed-to-build needed-to-test clean

# The main job without a sound card: a whole visit in a virtual room, and its set-up sheet. A development build, because the
# tests use most of it again; from cold it takes about as long as a release.
demo: needed-to-build
	$(CARGO) build --locked
	rm -rf $(DEMO)
	mkdir -p $(DEMO)
	$(EVENBASS) rehearse --seed 7 --folder $(DEMO) </dev/null
	@echo
	@$(EVENBASS) rank $(DEMO)/rehearsal.visit.jsonl </dev/null
	@echo
	@echo "Set-up sheet: $(CURDIR)/$(DEMO)/rehearsal.sheet.html"
	@test -s $(DEMO)/rehearsal.sheet.html

# Everything that has to hold before a change lands.
test: needed-to-test
	$(CARGO) fmt --check
	$(CARGO) clippy --locked --all-targets -- -D warnings
	$(CARGO) test --locked
	RUSTDOCFLAGS="-D warnings" $(CARGO) doc --locked --no-deps

# Figures, never verdicts: each bench prints what it measured.
bench: needed-to-build
	$(CARGO) bench --locked --bench '*'

docs: needed-to-build
	$(CARGO) doc --locked --no-deps

needed-to-build:
	@CARGO="$(CARGO)" sh .ci/packages

needed-to-test:
	@CARGO="$(CARGO)" sh .ci/packages test

clean:
	$(CARGO) clean
