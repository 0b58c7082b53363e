// Command sideport keeps and serves a teaching library of operations.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"sideport/server/internal/app"
	"sideport/server/internal/config"
)

func main() {
	c, err := config.Parse(os.Args[1:], os.Getenv, os.Stdout)
	if errors.Is(err, config.ErrHelp) {
		return
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := app.Run(ctx, c, app.Streams{Out: os.Stdout, Err: os.Stderr})
	stop()
	os.Exit(code)
}
