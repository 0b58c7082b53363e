package config

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func none(string) string { return "" }

func TestParse(t *testing.T) {
	here, err := filepath.Abs("data")
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name string
		args string
		env  map[string]string
		want Config
		err  string // part of the message; "" where there is none
	}{
		{name: "serve", args: "serve", want: Config{Command: "serve", Data: here, Listen: "127.0.0.1:8321"}},
		{name: "flags", args: "serve --listen localhost:9 --sample --data /d --json", want: Config{Command: "serve", Data: "/d", Listen: "localhost:9", Sample: true, JSON: true}},
		{name: "environment", args: "serve", env: map[string]string{"SIDEPORT_DATA": "/e", "SIDEPORT_LISTEN": ":1"}, want: Config{Command: "serve", Data: "/e", Listen: ":1"}},
		{name: "a flag beats the environment", args: "check --data /d", env: map[string]string{"SIDEPORT_DATA": "/e"}, want: Config{Command: "check", Data: "/d"}},
		{name: "words", args: "find loose bag", want: Config{Command: "find", Data: here, Args: []string{"loose", "bag"}}},
		{name: "flags between words", args: "find loose --json bag --data /d", want: Config{Command: "find", Data: "/d", JSON: true, Args: []string{"loose", "bag"}}},
		{name: "words that begin with a hyphen", args: "find --json -- hooks -ring", want: Config{Command: "find", Data: here, JSON: true, Args: []string{"hooks", "-ring"}}},
		{name: "export", args: "export c1 chapters -o out.vtt", want: Config{Command: "export", Data: here, Out: "out.vtt", Audience: "own unit", Args: []string{"c1", "chapters"}}},
		{name: "export list", args: "export --list", want: Config{Command: "export", Data: here, List: true, Audience: "own unit"}},
		{name: "export without a case", args: "export chapters", err: "takes a case and a format"},
		{name: "no such command", args: "publish", err: `no command "publish"`},
		{name: "no such flag", args: "check --deep", err: "sideport check --help"},
		{name: "a flag of another command", args: "check --sample", err: "not defined"},
		{name: "too many arguments", args: "check me", err: "takes no arguments; 1 given"},
		{name: "too few arguments", args: "add", err: "takes FOLDER; 0 given"},
		{name: "an address without a port", args: "serve --listen localhost", err: "missing port"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := Parse(strings.Fields(tc.args), func(k string) string { return tc.env[k] }, io.Discard)
			if tc.err != "" {
				if err == nil || !strings.Contains(err.Error(), tc.err) {
					t.Fatalf("Parse(%q): got error %v, want one with %q", tc.args, err, tc.err)
				}
				return
			}
			if err != nil {
				t.Fatalf("Parse(%q): %v", tc.args, err)
			}
			if !slices.Equal(got.Args, tc.want.Args) {
				t.Errorf("Parse(%q): got arguments %q, want %q", tc.args, got.Args, tc.want.Args)
			}
			got.Args, tc.want.Args = nil, nil
			if !equal(got, tc.want) {
				t.Errorf("Parse(%q): got %+v, want %+v", tc.args, got, tc.want)
			}
		})
	}
}

func equal(a, b Config) bool {
	return a.Command == b.Command && a.Data == b.Data && a.JSON == b.JSON && a.Listen == b.Listen && a.Sample == b.Sample &&
		a.Out == b.Out && a.List == b.List && a.Audience == b.Audience
}

func TestHelpNamesEveryCommandAndFlag(t *testing.T) {
	var b strings.Builder
	if _, err := Parse([]string{"--help"}, none, &b); !errors.Is(err, ErrHelp) {
		t.Fatalf("got %v, want ErrHelp", err)
	}
	for _, c := range Commands() {
		if !strings.Contains(b.String(), "sideport "+c.Name) {
			t.Errorf("help does not name the command %s", c.Name)
		}
		if _, err := Parse([]string{c.Name, "--help"}, none, io.Discard); !errors.Is(err, ErrHelp) {
			t.Errorf("sideport %s --help: got %v, want ErrHelp", c.Name, err)
		}
	}
	for _, f := range Flags() {
		if !strings.Contains(b.String(), f.Form()) {
			t.Errorf("help does not name the flag %s", f.Form())
		}
	}
}

// The README's tables are those of the program.
func TestReadmeNamesEveryCommandAndFlag(t *testing.T) {
	readme, err := os.ReadFile("../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range Commands() {
		if want := "| `" + strings.TrimSpace("sideport "+c.Name+" "+c.Args) + "` |"; !strings.Contains(string(readme), want) {
			t.Errorf("README has no row %s", want)
		}
	}
	for _, f := range Flags() {
		if want := "| `" + f.Form() + "` |"; !strings.Contains(string(readme), want) {
			t.Errorf("README has no row %s", want)
		}
		if f.Default != "" && !strings.Contains(string(readme), "`"+f.Default+"`") {
			t.Errorf("README does not give the default %q of %s", f.Default, f.Form())
		}
		if f.Env != "" && !strings.Contains(string(readme), f.Env) {
			t.Errorf("README does not name %s", f.Env)
		}
	}
}
