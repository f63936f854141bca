# Turnstone. `make test` is everything that must pass; it installs what it
# needs and says what is missing. Longer proofs have targets of their own.

GO     ?= go
TOOL    = $(GO) tool -modfile=tools/go.mod
FUZZ   ?= 60s

.PHONY: run test lint unit servers proofs fuzz bench pictures learned

run: ## the conversation in this terminal
	$(GO) run ./cmd/bot

test: lint unit ## everything that must pass

lint: ## form, vet, linters, and the data files
	@out=$$($(TOOL) gofumpt -l .); if [ -n "$$out" ]; then echo "not formatted (run: $(TOOL) gofumpt -w .):"; echo "$$out"; exit 1; fi
	$(GO) vet ./...
	$(TOOL) staticcheck ./...
	$(TOOL) golangci-lint run ./...
	$(GO) run ./cmd/bot check

servers: ## the real Redis servers that tests start (Debian)
	@command -v redis-server >/dev/null && command -v redis-benchmark >/dev/null && command -v strace >/dev/null || \
	  { echo "installing redis-server for the tests"; apt-get update -qq && apt-get install -y -qq --no-install-recommends redis-server redis-sentinel redis-tools strace; } || \
	  { echo "redis-server is missing; install it: apt-get install redis-server redis-sentinel redis-tools strace"; exit 1; }

unit: servers ## all tests, with the race detector; fuzz seeds only
	$(GO) test -race ./...

proofs: servers ## the whole walk, many kills, many random lives (minutes)
	TURNSTONE_PROOFS=1 TURNSTONE_LONG=1 $(GO) test -count=1 -timeout 60m ./tests/... ./store/... ./flow/...

fuzz: ## each fuzz target for FUZZ
	@for p in $$($(GO) list ./...); do \
	  for f in $$($(GO) test -list '^Fuzz' $$p | grep '^Fuzz'); do \
	    echo "$$p $$f"; $(GO) test -run '^$$' -fuzz "^$$f$$" -fuzztime $(FUZZ) $$p || exit 1; \
	  done; done

pictures: ## a PNG of each SVG (Debian: apt install librsvg2-bin)
	@command -v rsvg-convert >/dev/null || { echo "rsvg-convert is missing; install it: apt install librsvg2-bin"; exit 1; }
	cd pictures && for f in *.svg; do rsvg-convert --width 640 --format png --output "$${f%.svg}.png" "$$f" || exit 1; done
	cd pictures && sha256sum *.svg *.png > made.sha256

learned: ## what the danger screen learns from tests/corpus
	$(GO) run ./tests/corpus/learn

bench: servers ## the costs, as ratios of one run
	$(GO) test -run '^$$' -bench . -benchmem ./...
	cd tests/queue && $(GO) test -run '^$$' -bench . -benchtime 1x ./...
