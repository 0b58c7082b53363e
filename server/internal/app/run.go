package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"

	"sideport/annotate"
	"sideport/server/internal/config"
)

// Streams are where a command writes.
type Streams struct {
	Out, Err io.Writer
}

// The exit codes, for scripts.
const (
	exitFine    = 0
	exitOurs    = 1 // our fault
	exitInvalid = 2 // what was given breaks a rule
	exitMissing = 3
	exitRefused = 4
	exitBusy    = 5 // held, full, or changed by somebody else meanwhile
)

// Run carries out one command and gives the exit code.
func Run(ctx context.Context, c config.Config, s Streams) int {
	err := run(ctx, c, s)
	if err == nil {
		return exitFine
	}
	if c.JSON {
		printJSONError(s.Err, err)
	} else {
		fmt.Fprintf(s.Err, "sideport: %v\n", err)
	}
	return exitCode(err)
}

func exitCode(err error) int {
	switch annotate.CauseOf(err) {
	case annotate.Invalid:
		return exitInvalid
	case annotate.Missing:
		return exitMissing
	case annotate.Refused:
		return exitRefused
	case annotate.Conflict, annotate.Busy:
		return exitBusy
	}
	return exitOurs
}

func printJSONError(w io.Writer, err error) {
	out := map[string]any{"error": err.Error()}
	if f, ok := errors.AsType[*annotate.Fault](err); ok {
		out = map[string]any{"error": f.Say, "cause": f.Cause, "problems": f.Problems}
	}
	_ = json.NewEncoder(w).Encode(out)
}

func run(ctx context.Context, c config.Config, s Streams) error {
	switch c.Command {
	case "serve":
		return serve(ctx, c, s)
	case "restore":
		return restore(ctx, c, s)
	case "version":
		return printVersion(c, s)
	}
	log := slog.New(slog.NewTextHandler(s.Err, &slog.HandlerOptions{Level: slog.LevelWarn}))
	api, done, err := connect(ctx, c, log)
	if err != nil {
		return err
	}
	return errors.Join(commands[c.Command](ctx, api, c, s), done())
}

// commands are those that are requests to the API.
var commands = map[string]func(context.Context, *client, config.Config, Streams) error{
	"add": add, "find": findWords, "export": exportCase, "check": check, "reindex": reindex, "backup": backup,
}

func printVersion(c config.Config, s Streams) error {
	if c.JSON {
		return json.NewEncoder(s.Out).Encode(map[string]string{"name": "sideport", "version": Version()})
	}
	_, err := fmt.Fprintln(s.Out, "sideport", Version())
	return err
}

// terminal says whether w is a terminal, where progress may be drawn over.
func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
