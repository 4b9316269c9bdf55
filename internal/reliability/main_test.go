// Package reliability_test holds the promises that only faults can break: connections that are cut, stand still or drop
// what is sent, answers that are lost, disks that are full. The ordinary run is small; FIRSTOUT_LONG=1 runs the full
// sizes, whose figures stand in docs/reliability.md, and the canaries.
package reliability_test

import (
	"os"
	"testing"

	"firstout/internal/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// long says that the full sizes are wanted.
func long() bool { return os.Getenv("FIRSTOUT_LONG") == "1" }

// sized is the ordinary size, or the full one.
func sized(ordinary, full int) int {
	if long() {
		return full
	}
	return ordinary
}
