# Two commands do everything: make run, make test.
DATA   ?= data
LISTEN ?= 127.0.0.1:8321
GO     ?= go
export CGO_ENABLED ?= 0

.PHONY: run build test bench fuzz bundle tools clean

run: tools build
	@bin/sideport serve --sample --data "$(DATA)" --listen "$(LISTEN)"

build:
	@$(GO) build -o bin/sideport ./server

# What has to be on the machine to run: ffmpeg.
tools:
	@.ci/install ffmpeg

test:
	@.ci/check

bench:
	@.ci/bench

# Gives every fuzz target a minute; the tests run their seeds alone.
fuzz:
	@.ci/fuzz 60s

# The script and style that the pages use, from web/elements.
bundle:
	@$(GO) run ./web/build/cmd

clean:
	@rm -rf bin
