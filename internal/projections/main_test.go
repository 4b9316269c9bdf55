package projections_test

import (
	"os"
	"testing"

	"firstout/internal/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }
