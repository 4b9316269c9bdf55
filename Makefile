SHELL := bash
.SHELLFLAGS := -euo pipefail -c
TOOL := go tool -modfile=tools/go.mod
.PHONY: help run demo test race lint format generate spec bench fuzz build docker

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  %-9s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

run: ## serve the book kept in DATABASE_URL, or in a private PostgreSQL
	go run ./cmd/api serve

demo: ## play three weeks of an invented shop and go on serving
	go run ./cmd/api demo

test: ## every test
	go test ./...

race: ## the packages that share memory, under the race detector
	go test -race ./internal/book/... ./internal/events/... ./internal/projections/...

lint: ## formatting, vet, golangci-lint, dead code
	@unformatted=$$(gofmt -l .); [ -z "$$unformatted" ] || { echo "not gofmt'd: $$unformatted"; exit 1; }
	go vet ./...
	$(TOOL) golangci-lint run ./...
	@# What only a test can reach is dead code too, but for the packages that are there for tests and the rules of dating,
	@# which are a library.
	$(TOOL) deadcode ./... | awk '!/^internal\/(pgtest|expiry|oracle|epcis\/check)\// { print; dead = 1 } END { exit dead }'

format: ## put right what lint says of formatting
	$(TOOL) golangci-lint fmt

generate: ## the server's types from openapi.yaml
	go generate ./api/...

spec: ## lint openapi.yaml
	npm exec --yes --ignore-scripts --package=@redocly/cli@2.77.0 -- redocly lint openapi.yaml

bench: ## every benchmark, five times; compare two outputs with benchstat
	go test -run '^$$' -bench . -count 5 ./...

fuzz: ## every fuzz target, 20 seconds each
	@for package in $$(go list ./...); do \
		targets=$$(go test -list '^Fuzz' $$package); \
		for target in $$(grep '^Fuzz' <<<"$$targets" || true); do \
			go test -run '^$$' -fuzz "^$$target\$$" -fuzztime 20s $$package; \
		done; \
	done

build: ## bin/firstout: static, with the time zones inside
	CGO_ENABLED=0 go build -trimpath -tags timetzdata -ldflags '-s -w' -o bin/firstout ./cmd/api

docker: build ## the container image
	docker build -t firstout .
