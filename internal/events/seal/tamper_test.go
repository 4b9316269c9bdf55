package seal_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/seal"
)

// How many single bits are flipped, one at a time, and how many other changes are made to a log: ten times as many with
// FIRSTOUT_LONG=1.
var flips, changes = 10_000, 100

func init() {
	if os.Getenv("FIRSTOUT_LONG") == "1" {
		flips, changes = 100_000, 1_000
	}
}

// exampleLog is a log of events of every type, each with its position and an id of its own.
func exampleLog(t testing.TB, size int) []events.Recorded {
	t.Helper()
	files, err := filepath.Glob("../../../testdata/events/*/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var log []events.Recorded
	for i := range size {
		text, err := os.ReadFile(files[i%len(files)])
		require.NoError(t, err)
		r, err := events.ParseCanonical(text)
		require.NoError(t, err)
		r.Position = int64(i + 1)
		binary.BigEndian.PutUint64(r.ID[8:], uint64(i))
		log = append(log, r)
	}
	return log
}

// exported are events as a log holds them.
func exported(t testing.TB, log []events.Recorded) (entries []seal.Entry) {
	t.Helper()
	for _, r := range log {
		canonical, err := r.Canonical()
		require.NoError(t, err)
		entries = append(entries, seal.Entry{Position: r.Position, Canonical: canonical})
	}
	return entries
}

// each reads entries as from a file, into one buffer.
func each(entries []seal.Entry) iter.Seq2[seal.Entry, error] {
	return func(yield func(seal.Entry, error) bool) {
		var buffer []byte
		for _, e := range entries {
			buffer = append(buffer[:0], e.Canonical...)
			if !yield(seal.Entry{Position: e.Position, Canonical: buffer}, nil) {
				return
			}
		}
	}
}

func grow(entries []seal.Entry) *grown {
	var g grown
	for _, e := range entries {
		g.add(e.Canonical)
	}
	return &g
}

// A tampering changes a log so that it is another one, as cleverly as can be done without the signing key: whoever does
// it numbers the events anew.
type tampering struct {
	name string
	with func(random *rand.Rand, log []events.Recorded) []events.Recorded
}

var tamperings = []tampering{
	{"an event is left out", func(random *rand.Rand, log []events.Recorded) []events.Recorded {
		at := random.IntN(len(log))
		return slices.Delete(log, at, at+1)
	}},
	{"two events change places", func(random *rand.Rand, log []events.Recorded) []events.Recorded {
		a := random.IntN(len(log) - 1)
		b := a + 1 + random.IntN(len(log)-1-a)
		log[a], log[b] = log[b], log[a]
		return log
	}},
	{"an event is put in", func(random *rand.Rand, log []events.Recorded) []events.Recorded {
		made := log[random.IntN(len(log))]
		made.ID = uuid.UUID{15: 1}
		return slices.Insert(log, random.IntN(len(log)), made) // after the last one it is what comes next
	}},
	{"the newest are cut off", func(random *rand.Rand, log []events.Recorded) []events.Recorded {
		return log[:random.IntN(len(log))]
	}},
	{"an event is written anew", func(random *rand.Rand, log []events.Recorded) []events.Recorded {
		at, from := random.IntN(len(log)), random.IntN(len(log))
		if log[at].Data.EventType() == log[from].Data.EventType() {
			log[at].Actor += "x"
		}
		log[at].Data = log[from].Data
		return log
	}},
}

// undetected tampers with a log in as many ways as are asked for and tells what a verifier did not find.
func undetected(t *testing.T, log []events.Recorded, verify func([]seal.Entry) error, flips, changes int) (missed []string) {
	t.Helper()
	random := rand.New(rand.NewPCG(6962, 2119))
	good := exported(t, log)
	require.NoError(t, verify(good))
	for range flips {
		at := random.IntN(len(good))
		bytes := good[at].Canonical
		in, bit := random.IntN(len(bytes)), byte(1)<<random.IntN(8)
		bytes[in] ^= bit
		if verify(good) == nil {
			missed = append(missed, fmt.Sprintf("position %d: bit %d of byte %d", at+1, bit, in))
		}
		bytes[in] ^= bit
	}
	for i := range changes {
		how := tamperings[i%len(tamperings)]
		changed := how.with(random, slices.Clone(log))
		for j := range changed {
			changed[j].Position = int64(j + 1)
		}
		if verify(exported(t, changed)) == nil {
			missed = append(missed, how.name)
		}
	}
	require.NoError(t, verify(good), "and nothing is found that is not there")
	return missed
}

// TestTamperingIsDetected has nothing but the log, the public key and one checkpoint that somebody took away: every
// changed bit and every other change is found.
func TestTamperingIsDetected(t *testing.T) {
	t.Parallel()
	log := exampleLog(t, 90)
	key, verifier := newKey(t, "seaside.example/book")
	signed, err := seal.Checkpoint{Origin: key.Name(), Size: 90, Root: grow(exported(t, log)).Root()}.Sign(key)
	require.NoError(t, err)
	verify := func(entries []seal.Entry) error {
		outside, err := seal.Open(signed, verifier)
		if err != nil {
			return err
		}
		_, err = seal.Verify(each(entries), seal.Evidence{Checkpoints: []seal.Checkpoint{outside}})
		return err
	}
	require.Empty(t, undetected(t, log, verify, flips, changes))
}

// TestAVerifierWithoutTheRootIsFoundOut: the test above can fail. A verifier that knows no root misses all that is done
// cleverly, and one that knows the root of the half of it what is done in the other.
func TestAVerifierWithoutTheRootIsFoundOut(t *testing.T) {
	t.Parallel()
	log := exampleLog(t, 90)
	rootless := func(entries []seal.Entry) error {
		_, err := seal.Verify(each(entries), seal.Evidence{})
		return err
	}
	require.Len(t, undetected(t, log, rootless, 50, 50), 100)
	half := seal.Checkpoint{Size: 45, Root: grow(exported(t, log)[:45]).Root()}
	missed := undetected(t, log, func(entries []seal.Entry) error {
		_, err := seal.Verify(each(entries), seal.Evidence{Checkpoints: []seal.Checkpoint{half}})
		return err
	}, 200, 50)
	require.NotEmpty(t, missed)
	require.Less(t, len(missed), 250)
}

// evidence is all that a database can have beside a log.
func evidence(g *grown, sizes ...int64) seal.Evidence {
	with := seal.Evidence{Stored: func(yield func(seal.Hash, error) bool) {
		for _, h := range g.stored {
			if !yield(h, nil) {
				return
			}
		}
	}}
	for _, size := range sizes {
		t, err := seal.Resume(size, g)
		if err != nil {
			panic(err)
		}
		with.Checkpoints = append(with.Checkpoints, seal.Checkpoint{Size: size, Root: t.Root()})
	}
	return with
}

// TestTheFirstBadPositionIsNamed: with the hashes that were stored at sealing, wherever it is.
func TestTheFirstBadPositionIsNamed(t *testing.T) {
	t.Parallel()
	const size = 21
	log := exampleLog(t, size)
	good := exported(t, log)
	g := grow(good)
	with := evidence(g, 3, 8, 13, size)
	report, err := seal.Verify(each(good), with)
	require.NoError(t, err)
	require.Equal(t, seal.Report{Size: size, Root: g.Root(), Sealed: size, Checkpoints: 4}, report)

	requireFound := func(position int64, entries []seal.Entry, saying string) {
		t.Helper()
		_, err := seal.Verify(each(entries), with)
		found := new(seal.Finding)
		require.ErrorAs(t, err, &found)
		require.Equal(t, position, found.Position, "%v", found)
		require.ErrorContains(t, err, saying)
	}
	for at := range size {
		position := int64(at + 1)
		changed := exported(t, log)
		changed[at].Canonical[7] ^= 1
		requireFound(position, changed, "not the one that was sealed")
		requireFound(position, slices.Delete(slices.Clone(good), at, at+1), "it is missing")

		left := slices.Delete(slices.Clone(log), at, at+1)
		for i := range left {
			left[i].Position = int64(i + 1)
		}
		saying := "not the one"
		if at == size-1 {
			saying = "it is missing, and all after it: the log ends with 20"
		}
		requireFound(position, exported(t, left), saying)
		requireFound(position, good[:at], "missing")
		if at > 0 {
			swapped := slices.Clone(good)
			swapped[at-1], swapped[at] = swapped[at], swapped[at-1]
			requireFound(position-1, swapped, "it is missing: the event found in its place")
		}
	}
	twice := slices.Insert(slices.Clone(good), 5, good[4])
	requireFound(6, twice, "the event found in its place has position 5")
}

// TestWhichOfTwoWasChanged: a stored hash and an event that differ are judged by the next checkpoint.
func TestWhichOfTwoWasChanged(t *testing.T) {
	t.Parallel()
	const size = 21
	good := exported(t, exampleLog(t, size))
	for i := range grow(good).stored {
		g := grow(good)
		with := evidence(g, 13, size)
		g.stored[i][0] ^= 1
		_, err := seal.Verify(each(good), with)
		require.ErrorContains(t, err, "a hash stored at its sealing was changed")
	}
	g := grow(good)
	g.stored = g.stored[:len(g.stored)-1]
	_, err := seal.Verify(each(good), evidence(g))
	require.NoError(t, err, "what is not sealed yet has no hashes")
	g.stored = g.stored[:len(g.stored)-1] // one of the three of position 20
	_, err = seal.Verify(each(good), evidence(g))
	require.EqualError(t, err, "position 20: of the hashes that its sealing stored some are missing")

	// events, hashes and all
	changed := exported(t, exampleLog(t, size))
	changed[10].Canonical[7] ^= 1
	with := evidence(grow(changed))
	with.Checkpoints = evidence(grow(good), 3, 8, 13, size).Checkpoints
	_, err = seal.Verify(each(changed), with)
	found := new(seal.Finding)
	require.ErrorAs(t, err, &found)
	require.Equal(t, []int64{0, 8, 13}, []int64{found.Position, found.After, found.Until}, "as near as the checkpoints tell")
	require.ErrorContains(t, err, "positions 9 to 13: ")
}

func TestVerifyTheEmptyLog(t *testing.T) {
	t.Parallel()
	report, err := seal.Verify(each(nil), seal.Evidence{Checkpoints: []seal.Checkpoint{{Root: new(seal.Tree).Root()}}})
	require.NoError(t, err)
	require.Equal(t, 1, report.Checkpoints)
	_, err = seal.Verify(each(nil), seal.Evidence{Checkpoints: []seal.Checkpoint{{}}})
	require.ErrorContains(t, err, "size 0")
	_, err = seal.Verify(each(exported(t, exampleLog(t, 1))), seal.Evidence{Checkpoints: []seal.Checkpoint{{}}})
	require.ErrorContains(t, err, "size 0")
}

// TestVerifyStopsAtAnError of what it reads, and tells what the caller's own check says.
func TestVerifyStopsAtAnError(t *testing.T) {
	t.Parallel()
	broken := errors.New("the disk is gone")
	good := exported(t, exampleLog(t, 3))
	_, err := seal.Verify(func(yield func(seal.Entry, error) bool) {
		_ = yield(good[0], nil) && yield(seal.Entry{}, broken)
	}, seal.Evidence{})
	require.ErrorIs(t, err, broken)
	_, err = seal.Verify(each(good), seal.Evidence{Stored: func(yield func(seal.Hash, error) bool) { yield(seal.Hash{}, broken) }})
	require.ErrorIs(t, err, broken)
	_, err = seal.Verify(each(good), seal.Evidence{Check: func(e seal.Entry) error {
		if bytes.Equal(e.Canonical, good[1].Canonical) {
			return errors.New("it is upside down")
		}
		return nil
	}})
	require.EqualError(t, err, "position 2: it is upside down")
}

// BenchmarkVerifyAMillion verifies a million events against one checkpoint.
func BenchmarkVerifyAMillion(b *testing.B) {
	const size = 1_000_000
	some := exported(b, exampleLog(b, 1_000))
	var log iter.Seq2[seal.Entry, error] = func(yield func(seal.Entry, error) bool) {
		for i := range size {
			if !yield(seal.Entry{Position: int64(i + 1), Canonical: some[i%len(some)].Canonical}, nil) {
				return
			}
		}
	}
	var tree seal.Tree
	for e, err := range log {
		require.NoError(b, err)
		tree.Add(nil, seal.Leaf(e.Canonical))
	}
	against := seal.Evidence{Checkpoints: []seal.Checkpoint{{Size: size, Root: tree.Root()}}}
	b.ReportAllocs()
	for b.Loop() {
		_, err := seal.Verify(log, against)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(size)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
