// Package reliability_test holds the promises that only whole processes and faults can break: it builds the program once, serves a
// book with one or several real processes over a real PostgreSQL, kills them without warning, cuts connections, fills disks, and
// reckons up at the end what was promised and what stands in the log. The ordinary run is small; FIRSTOUT_LONG=1 runs the full sizes,
// whose figures stand in docs/reliability.md.
package reliability_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"firstout/internal/pgtest"
)

// program is the built cmd/api.
var program string

func TestMain(m *testing.M) { os.Exit(pgtest.Main(built{m})) }

// built runs the tests with the program at hand.
type built struct{ m *testing.M }

func (b built) Run() int {
	dir, err := os.MkdirTemp("", "firstout-reliability-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	program = filepath.Join(dir, "firstout")
	build := exec.CommandContext(context.Background(), "go", "build", "-o", program, "firstout/cmd/api")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if said, err := build.CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "build the program: %v\n%s", err, said)
		return 1
	}
	return b.m.Run()
}

// long says that the full sizes are wanted.
func long() bool { return os.Getenv("FIRSTOUT_LONG") == "1" }

// sized is the ordinary size, or the full one.
func sized(ordinary, full int) int {
	if long() {
		return full
	}
	return ordinary
}
