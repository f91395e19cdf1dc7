# Short names for what the go command and .ci/test do; nothing here is needed to build or test.

# Rounds of the tests that kill, cut and flip; the ordinary run makes fewer.
CHAOS_ROUNDS ?= 50

.PHONY: test generate lint bench chaos

test:
	bash .ci/test

generate:
	go generate ./proto

lint:
	go vet ./...
	go tool staticcheck ./...

bench:
	go run ./cmd/lotpaper bench

chaos:
	go test ./internal/harness ./internal/eventlog ./services/ledger -run Chaos -count=1 -timeout 60m -chaos.rounds=$(CHAOS_ROUNDS) -chaos.flips=all
