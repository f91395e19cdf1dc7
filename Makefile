# Short names for what the go command and .ci/test do; nothing here is needed to build or test.

# Rounds of the tests that kill, cut and flip; the ordinary run makes fewer.
CHAOS_ROUNDS ?= 50
# The sweep that flips every byte takes about an hour, and runs in so many parts, one after the other.
CHAOS_PARTS ?= 16

.PHONY: test generate lint bench chaos pictures

test:
	bash .ci/test

generate:
	go generate ./proto
	bash services/pages/wasm.sh

lint:
	go vet ./...
	go tool staticcheck ./...

bench:
	go run ./cmd/lotpaper bench

# Pictures of the pages with the demo scenario, for README.md. Needs Chromium.
pictures:
	go test ./cmd/lotpaper/browser -run PicturesOfTheTour -count=1 -pictures=$(CURDIR)/testdata/pictures

chaos:
	go test ./internal/harness ./internal/eventlog -run Chaos -count=1 -timeout 60m -chaos.rounds=$(CHAOS_ROUNDS)
	go test ./services/ledger -run 'Chaos(Journal|Crash)' -count=1 -timeout 60m -chaos.rounds=$(CHAOS_ROUNDS)
	for part in $$(seq 0 $$(($(CHAOS_PARTS) - 1))); do \
		go test ./services/ledger -run ChaosFlips -count=1 -timeout 60m -chaos.flips=$$part/$(CHAOS_PARTS) || exit 1; \
	done
