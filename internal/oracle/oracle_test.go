package oracle_test

import (
	"cmp"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"sync/atomic"
	"testing"
	_ "time/tzdata" // the zones of the Go release that builds the test, whatever the machine has

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/oracle"
	"firstout/internal/pgtest"
)

// How many histories are told, and how many commands are in one on the average; ten times as many with FIRSTOUT_LONG=1.
const (
	historiesInMemory = 1000
	commandsMean      = 56
)

// How many commands lie between two looks at everything: over HTTP a look is a hundred questions.
const (
	lookInMemory = 10
	lookOverHTTP = 30
)

// ordinarySeed has the ordinary run tell the same histories each time, so that what it says is about the change that is
// looked at. The long form, or -rapid.seed, tells others.
const ordinarySeed = "2611"

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

func long(n int) int {
	if os.Getenv("FIRSTOUT_LONG") == "1" {
		return 10 * n
	}
	return n
}

// set gives rapid its numbers: how many histories, and how many commands in each.
func set(t *testing.T, histories int) {
	t.Helper()
	require.NoError(t, flag.Set("rapid.checks", fmt.Sprint(histories)))
	require.NoError(t, flag.Set("rapid.steps", fmt.Sprint(commandsMean)))
	if f := flag.Lookup("rapid.seed"); long(1) == 1 && f.Value.String() == f.DefValue {
		require.NoError(t, flag.Set("rapid.seed", ordinarySeed))
	}
	require.NoError(t, flag.Set("rapid.nofailfile", "true"))
	require.NoError(t, flag.Set("rapid.shrinktime", "1ms")) // shorten does it better: it knows what codes are
}

// A book is the product, driven in some way.
type theBook interface {
	Do(c oracle.Command) (slug string, said oracle.Facts)
	Look() oracle.Facts
}

// A telling is how histories are told: to which model, to which book, and how.
type telling struct {
	fault oracle.Fault
	open  func(*oracle.Model) theBook // a book that is empty but for the catalogue
	every int                         // commands between two looks
	late  int                         // in a hundred, those that are dated earlier
	which int                         // of several that are told beside each other from one seed
	count tally
}

func (tl *telling) fresh() *witness {
	m := oracle.New(start, tl.fault)
	return &witness{m: m, b: tl.open(m), every: tl.every}
}

// begin tells the first morning of a history.
func (tl *telling) begin() (w *witness, off string) {
	w = tl.fresh()
	for _, c := range morning() {
		off = cmp.Or(off, w.compare(c))
	}
	return w, off
}

// tell makes up one history and fails with the shortest one that still shows a difference.
func (tl *telling) tell(rt *rapid.T) {
	for range tl.which {
		seed.Draw(rt, "passed over") // what follows is drawn from further on
	}
	w, off := tl.begin()
	g := &teller{m: w.m, late: tl.late}
	rt.Repeat(map[string]func(*rapid.T){"command": func(t *rapid.T) {
		g.Rand = rand.New(rand.NewPCG(seed.Draw(t, "seed"), 1))
		if off = cmp.Or(off, w.compare(g.next())); off != "" {
			rt.Fatal(shorten(w.history, off, tl.fresh))
		}
	}})
	if off = cmp.Or(off, w.end()); off != "" {
		rt.Fatal(shorten(w.history, off, tl.fresh))
	}
	tl.count.histories.Add(1)
	tl.count.commands.Add(int64(len(w.history)))
	tl.count.unsettled.Add(int64(w.unsettled))
	if w.over {
		tl.count.over.Add(1)
	}
}

// A tally is of how many histories were told, of how many commands, how many commands were left out as unsettled, and how many
// histories were over because rounding decided.
type tally struct{ histories, commands, unsettled, over atomic.Int64 }

func (c *tally) add(more *tally) {
	c.histories.Add(more.histories.Load())
	c.commands.Add(more.commands.Load())
	c.unsettled.Add(more.unsettled.Load())
	c.over.Add(more.over.Load())
}

func (c *tally) log(t *testing.T) {
	t.Helper()
	t.Logf("%d histories of %.1f commands on the average, %d of them ended where rounding decides; %d commands left out, about which the rules say nothing",
		c.histories.Load(), float64(c.commands.Load())/float64(c.histories.Load()), c.over.Load(), c.unsettled.Load())
	require.LessOrEqual(t, c.over.Load(), c.histories.Load()/100+1, "rounding decides seldom: so many histories that end there hide something")
}

func inMemory(*oracle.Model) theBook { return newMemory() }

func TestHistoriesInMemory(t *testing.T) {
	set(t, long(historiesInMemory)/2)
	var count tally
	t.Run("histories", func(t *testing.T) {
		for which, half := range []string{"one half", "the other"} {
			t.Run(half, func(t *testing.T) {
				t.Parallel()
				tl := &telling{open: inMemory, every: lookInMemory, late: lateEntries(), which: which}
				rapid.Check(t, tl.tell)
				count.add(&tl.count)
			})
		}
	})
	count.log(t)
}

// How many histories are told over HTTP, and how many at once.
const (
	historiesOverHTTP = 100
)

func TestHistoriesOverHTTP(t *testing.T) {
	set(t, 1)
	var count tally
	t.Run("histories", func(t *testing.T) {
		for which := range long(historiesOverHTTP) {
			t.Run("history", func(t *testing.T) {
				t.Parallel()
				tl := &telling{every: lookOverHTTP, late: lateEntries(), which: which}
				tl.open = func(m *oracle.Model) theBook { return serve(t, m) }
				rapid.Check(t, tl.tell)
				count.add(&tl.count)
			})
		}
	})
	count.log(t)
}

// A planted error shows within the usual number of histories, whichever of the two books it is in.
func TestPlantedErrorsAreFound(t *testing.T) {
	for _, fault := range oracle.Faults {
		t.Run(string(fault), func(t *testing.T) {
			t.Parallel()
			tl := &telling{fault: fault, open: inMemory, every: lookInMemory, late: lateEntries()}
			chance := rand.New(rand.NewPCG(1, 2))
			for n := range historiesInMemory {
				if w, off := tl.byChance(chance); off != "" {
					sound := &telling{open: inMemory, every: lookInMemory}
					require.Empty(t, sound.fresh().replay(w.history), "it is the planted error that shows")
					t.Logf("found in history %d:\n%s", n+1, shorten(w.history, off, tl.fresh))
					return
				}
			}
			require.Fail(t, "not found")
		})
	}
}

// byChance tells one history to the first difference.
func (tl *telling) byChance(chance *rand.Rand) (w *witness, off string) {
	w, off = tl.begin()
	g := &teller{Rand: chance, m: w.m, late: tl.late}
	for n := 0; off == "" && n < commandsMean; n++ {
		off = w.compare(g.next())
	}
	return w, cmp.Or(off, w.end())
}

// lateEntries is how many commands in a hundred are dated earlier.
func lateEntries() int { return 25 }
