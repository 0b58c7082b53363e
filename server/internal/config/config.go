// Package config turns the command line and the environment into one checked
// value. It knows the names of the commands and their flags, and nothing of
// what they do.
package config

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"slices"
	"strings"
)

// Config is what one run of the program was asked to do.
type Config struct {
	Command  string
	Args     []string // FOLDER, WORDS, CASE and FORMAT, FILE
	Data     string   // absolute path of the data folder
	JSON     bool
	Listen   string
	Sample   bool
	Out      string
	List     bool
	Audience string
}

// Flag is a row of the table of flags.
type Flag struct {
	Name, Arg, Help string
	Env             string // environment variable that sets the default
	Default         string
	Commands        []string // nil: all
	set             func(*Config, string) error
	yes             func(*Config) *bool
}

// Command is a row of the table of commands.
type Command struct {
	Name, Args, Help string
	Least, Most      int // arguments; Most < 0: any number
}

// Commands is the table of commands.
func Commands() []Command {
	return []Command{
		{"serve", "", "serve the library to browsers", 0, 0},
		{"add", "FOLDER", "bring in a case: a folder with a case.yaml", 1, 1},
		{"find", "WORDS…", "search, and print cases with their best moments", 1, -1},
		{"export", "CASE FORMAT", "write a case in a format; --list shows the formats", 0, 2},
		{"check", "", "hold store, files and index against one another", 0, 0},
		{"reindex", "", "build the search index anew", 0, 0},
		{"backup", "FILE", "write the whole library into one archive", 1, 1},
		{"restore", "FILE", "make a data folder from such an archive", 1, 1},
		{"version", "", "print the version", 0, 0},
	}
}

// Flags is the table of flags.
func Flags() []Flag {
	return []Flag{
		{Name: "data", Arg: "DIR", Help: "folder that holds everything", Env: "SIDEPORT_DATA", Default: "data",
			set: func(c *Config, v string) (err error) { c.Data, err = filepath.Abs(v); return err }},
		{Name: "json", Help: "print JSON", yes: func(c *Config) *bool { return &c.JSON }},
		{Name: "listen", Arg: "HOST:PORT", Help: "address to serve on", Env: "SIDEPORT_LISTEN", Default: "127.0.0.1:8321", Commands: []string{"serve"},
			set: func(c *Config, v string) error { c.Listen = v; _, _, err := net.SplitHostPort(v); return err }},
		{Name: "sample", Help: "fill an empty library with the sample cases", Commands: []string{"serve"},
			yes: func(c *Config) *bool { return &c.Sample }},
		{Name: "o", Arg: "FILE", Help: "file to write (a folder for the format folder; - for standard output)", Commands: []string{"export"},
			set: func(c *Config, v string) error { c.Out = v; return nil }},
		{Name: "list", Help: "list the formats", Commands: []string{"export"}, yes: func(c *Config) *bool { return &c.List }},
		{Name: "audience", Arg: "WHO", Help: "own unit, professionals or public", Default: "own unit", Commands: []string{"export"},
			set: func(c *Config, v string) error { c.Audience = v; return nil }},
	}
}

// ErrHelp says that help was asked for and printed.
var ErrHelp = flag.ErrHelp

// Parse reads a command line, without the program's name. getenv gives the
// environment; help and the reasons of errors are for people.
func Parse(args []string, getenv func(string) string, help io.Writer) (Config, error) {
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(help)
		return Config{}, ErrHelp
	}
	cmd, ok := find(args[0])
	if !ok {
		return Config{}, fmt.Errorf("there is no command %q; sideport help lists them", args[0])
	}
	c := Config{Command: cmd.Name}
	set := flag.NewFlagSet(cmd.Name, flag.ContinueOnError)
	set.SetOutput(io.Discard)
	for _, f := range Flags() {
		if f.For(cmd.Name) {
			if err := f.define(set, &c, getenv); err != nil {
				return Config{}, err
			}
		}
	}
	rest, err := parseMixed(set, args[1:])
	if errors.Is(err, flag.ErrHelp) {
		usageOf(help, cmd)
		return Config{}, ErrHelp
	}
	if err != nil {
		return Config{}, fmt.Errorf("sideport %s: %w; sideport %s --help shows what it takes", cmd.Name, err, cmd.Name)
	}
	c.Args = rest
	return c, c.check(cmd)
}

// parseMixed lets flags stand before, between and after the arguments; what
// follows "--" is arguments only.
func parseMixed(set *flag.FlagSet, args []string) ([]string, error) {
	var rest, verbatim []string
	if i := slices.Index(args, "--"); i >= 0 {
		args, verbatim = args[:i], args[i+1:]
	}
	for {
		if err := set.Parse(args); err != nil {
			return nil, err
		}
		args = set.Args()
		if len(args) == 0 {
			return append(rest, verbatim...), nil
		}
		rest = append(rest, args[0])
		args = args[1:]
	}
}

func (c Config) check(cmd Command) error {
	n := len(c.Args)
	if c.Command == "export" && !c.List && n != 2 {
		return fmt.Errorf("sideport export takes a case and a format: sideport export CASE chapters; sideport export --list shows the formats")
	}
	if n < cmd.Least || cmd.Most >= 0 && n > cmd.Most {
		return fmt.Errorf("sideport %s takes %s; %d given", cmd.Name, orNothing(cmd.Args), n)
	}
	return nil
}

func orNothing(s string) string {
	if s == "" {
		return "no arguments"
	}
	return s
}

func find(name string) (Command, bool) {
	for _, c := range Commands() {
		if c.Name == name {
			return c, true
		}
	}
	return Command{}, false
}

// For says whether a command takes the flag.
func (f Flag) For(command string) bool {
	if f.Commands == nil {
		return true
	}
	for _, c := range f.Commands {
		if c == command {
			return true
		}
	}
	return false
}

func (f Flag) define(set *flag.FlagSet, c *Config, getenv func(string) string) error {
	if f.yes != nil {
		set.BoolVar(f.yes(c), f.Name, false, f.Help)
		return nil
	}
	v := f.Default
	if f.Env != "" && getenv(f.Env) != "" {
		v = getenv(f.Env)
	}
	set.Func(f.Name, f.Help, func(s string) error { return f.set(c, s) })
	if err := f.set(c, v); err != nil {
		return fmt.Errorf("%s=%q: %w", f.Env, v, err)
	}
	return nil
}

func usage(w io.Writer) {
	fmt.Fprintf(w, "Sideport keeps a teaching library of operations: films, and what they show, to the second.\n\nCommands:\n")
	for _, c := range Commands() {
		fmt.Fprintf(w, "  sideport %-24s %s\n", strings.TrimSpace(c.Name+" "+c.Args), c.Help)
	}
	fmt.Fprintf(w, "\nFlags:\n")
	for _, f := range Flags() {
		fmt.Fprintf(w, "  %-24s %s\n", f.Form(), f.About())
	}
}

func usageOf(w io.Writer, cmd Command) {
	fmt.Fprintf(w, "sideport %s: %s\n\n", strings.TrimSpace(cmd.Name+" "+cmd.Args), cmd.Help)
	for _, f := range Flags() {
		if f.For(cmd.Name) {
			fmt.Fprintf(w, "  %-24s %s\n", f.Form(), f.About())
		}
	}
}

// Form is how the flag is written: "--listen HOST:PORT", "-o FILE".
func (f Flag) Form() string {
	dash := "--"
	if len(f.Name) == 1 {
		dash = "-"
	}
	return strings.TrimSpace(dash + f.Name + " " + f.Arg)
}

// About is the flag's help with its default.
func (f Flag) About() string {
	s := f.Help
	if f.Default != "" {
		s += " (default " + f.Default
		if f.Env != "" {
			s += ", or " + f.Env
		}
		s += ")"
	}
	if f.Commands != nil {
		s = strings.Join(f.Commands, ", ") + ": " + s
	}
	return s
}
