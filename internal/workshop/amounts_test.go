package workshop_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/workshop"
)

func TestAmountsAddUp(t *testing.T) {
	t.Parallel()
	var a workshop.Amounts
	for _, m := range []struct {
		cause, grade string
		delta        int64
	}{
		{workshop.CauseTurnedOut, "first", 100},
		{workshop.CauseReleased, "first", -100},
		{workshop.CauseReleased, "first", 100},
		{workshop.CauseMoved, "first", -40},
		{workshop.CauseMoved, "first", 40},
		{workshop.CauseParted, "first", -10},
		{workshop.CauseParted, "first", 4},
		{workshop.CauseSold, "first", -7},
		{workshop.CauseGiven, "first", -1},
		{workshop.CauseDiscarded, "first", -2},
		{workshop.CauseBoxed, "first", -24},
		{workshop.CauseUnboxed, "first", 8},
		{workshop.CauseCounted, "first", -3},
		{workshop.CauseBookShort, "first", 1},
		{workshop.CauseAbsorbed, "first", -1},
		{workshop.CauseOpened, "first", -5},
		{workshop.CauseOpened, "", -6},
		{workshop.CauseOpened, "", 2},
		{workshop.CauseDrawn, "", -9},
		{workshop.CauseReturned, "", 3},
	} {
		a.Add(m.cause, m.grade, m.delta)
	}
	require.Equal(t, workshop.Amounts{
		Made: 100, PartedIn: 6, PartedOut: 16, Sold: 7, Given: 1, Discarded: 2, Boxed: 16, Opened: 5, Used: 6, Missing: 3, OnHand: 50,
	}, a)
	require.Equal(t, a.Made+a.PartedIn, a.Sold+a.Given+a.Discarded+a.Boxed+a.Opened+a.Used+a.PartedOut+a.Missing+a.OnHand)
}
