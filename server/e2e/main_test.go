package e2e

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// work is the folder of this run; TestMain makes and removes it.
var work string

// program builds the real thing, once.
var program = sync.OnceValues(func() (string, error) {
	bin := filepath.Join(work, "sideport")
	cmd := exec.Command("go", "build", "-o", bin, "./server")
	cmd.Dir = "../.."
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the program: %w\n%s", err, out)
	}
	return bin, nil
})

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "sideport-e2e-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	work = dir
	code := m.Run()
	endBrowser()
	endCommon()
	if err := os.RemoveAll(work); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	os.Exit(code)
}

// need skips a test where a program is not on this machine. Where nothing may
// be skipped, it fails instead.
func need(t *testing.T, names ...string) {
	t.Helper()
	var missing []string
	for _, n := range names {
		if _, err := exec.LookPath(n); err != nil {
			missing = append(missing, n)
		}
	}
	if len(missing) > 0 {
		skip(t, strings.Join(missing, ", ")+" is not on this machine")
	}
}

func skip(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("TEST_NO_SKIP") == "1" {
		t.Fatal(why)
	}
	t.Skip(why)
}
