# Two commands do all the set-up on a fresh machine: `make demo` and `make test`.
# On Debian and Ubuntu missing packages are installed (with sudo where needed); elsewhere the recipe says what to do.

CARGO ?= cargo
export CARGO_TERM_COLOR ?= auto
# Property tests draw the same cases every time; give another seed to look further.
export PROPTEST_RNG_SEED ?= 20260314

.PHONY: demo test losses lint bench setup setup-test

## demo: the whole job on the simulated amplifier, from build to report
demo: setup
	$(CARGO) run --profile demo --locked --quiet -- demo --out reports/demo

## test: everything that is tested
test: setup-test
	$(CARGO) test --locked

## losses: 10,000 takes with losses put into them, and 10,000 clean ones (test runs some hundred of each)
losses: setup-test
	ASLEFT_LOSSES=$${ASLEFT_LOSSES:-10000} $(CARGO) test --release --locked --test losses -- --nocapture

## lint: formatting, clippy and documentation, warnings are errors
lint: setup
	$(CARGO) fmt --check
	$(CARGO) clippy --locked --all-targets -- -D warnings
	RUSTDOCFLAGS="-D warnings -A rustdoc::private_intra_doc_links" $(CARGO) doc --locked --no-deps --document-private-items --quiet
	@if command -v cargo-deny >/dev/null; then $(CARGO) deny check; else echo "lint: cargo-deny is not installed; licences and advisories were not checked (cargo install cargo-deny)"; fi

## bench: speed, as ratios against reference code in the same run
bench: setup
	$(CARGO) bench --locked
	sh benches/whole_process.sh

setup:
	@sh .ci/setup build

setup-test:
	@sh .ci/setup test
