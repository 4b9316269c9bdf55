package seal_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/tlog"
	"pgregory.net/rapid"

	"firstout/internal/events/seal"
)

// TestRandomTrees holds trees, proofs and verdicts, on good proofs and spoilt ones, against another implementation:
// github.com/transparency-dev/merkle.
func TestRandomTrees(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		leaves := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 0, 12), 1, 80).Draw(t, "leaves")
		var g grown
		roots := []seal.Hash{g.Root()}
		for _, leaf := range leaves {
			require.Equal(t, rfc6962.DefaultHasher.HashLeaf(leaf), sliceOf(seal.Leaf(leaf)))
			g.add(leaf)
			roots = append(roots, g.Root())
		}
		size := int64(len(leaves))
		require.Len(t, g.stored, int(tlog.StoredHashCount(size)))
		judgeInclusion(t, &g, roots, leaves, size)
		judgeConsistency(t, &g, roots, size)
	})
}

func judgeInclusion(t *rapid.T, g *grown, roots []seal.Hash, leaves [][]byte, size int64) {
	upTo := rapid.Int64Range(1, size).Draw(t, "up to")
	position := rapid.Int64Range(1, upTo).Draw(t, "position")
	p, err := seal.ProveInclusion(position, upTo, g)
	require.NoError(t, err)
	leaf, root := seal.Leaf(leaves[position-1]), roots[upTo]
	require.NoError(t, p.Check(leaf, root))
	switch rapid.IntRange(0, 6).Draw(t, "what is spoilt") {
	case 0:
		p.Index += rapid.Int64Range(-3, 3).Draw(t, "by")
	case 1:
		p.Size += rapid.Int64Range(-3, 3).Draw(t, "by")
	case 2:
		leaf = spoil(t, leaf)
	case 3:
		root = spoil(t, root)
	case 4:
		p.Hashes = spoilOne(t, p.Hashes)
	case 5:
		root = roots[rapid.Int64Range(0, size).Draw(t, "root of")]
	}
	theirs := verdict(p.Index >= 0 && p.Size >= 0, func() error {
		return proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(p.Index), uint64(p.Size), sliceOf(leaf), slicesOf(p.Hashes), sliceOf(root))
	})
	require.Equal(t, theirs, p.Check(leaf, root) == nil, "%+v", p)
}

func judgeConsistency(t *rapid.T, g *grown, roots []seal.Hash, size int64) {
	to := rapid.Int64Range(0, size).Draw(t, "to")
	from := rapid.Int64Range(0, to).Draw(t, "from")
	p, err := seal.ProveConsistency(from, to, g)
	require.NoError(t, err)
	old, grownTo := roots[from], roots[to]
	require.NoError(t, p.Check(old, grownTo))
	switch rapid.IntRange(0, 5).Draw(t, "what is spoilt") {
	case 0:
		p.From += rapid.Int64Range(-3, 3).Draw(t, "by")
	case 1:
		p.To += rapid.Int64Range(-3, 3).Draw(t, "by")
	case 2:
		old = spoil(t, old)
	case 3:
		grownTo = spoil(t, grownTo)
	case 4:
		p.Hashes = spoilOne(t, p.Hashes)
	}
	// From nothing there is nothing to prove: the other one takes any roots for it, which are known here.
	theirs := verdict(p.From >= 0 && p.To >= 0, func() error {
		return proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(p.From), uint64(p.To), slicesOf(p.Hashes), sliceOf(old), sliceOf(grownTo))
	})
	if p.From == 0 {
		theirs = theirs && old == roots[0] && (p.To > 0 || grownTo == roots[0])
	}
	require.Equal(t, theirs, p.Check(old, grownTo) == nil, "%+v", p)
}

func verdict(sizes bool, judge func() error) bool { return sizes && judge() == nil }

func spoil(t *rapid.T, h seal.Hash) seal.Hash {
	h[rapid.IntRange(0, len(h)-1).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
	return h
}

// spoilOne changes, leaves out, doubles or adds a hash of a proof.
func spoilOne(t *rapid.T, of []seal.Hash) []seal.Hash {
	var spoilt []seal.Hash
	at, how := rapid.IntRange(0, len(of)).Draw(t, "hash"), rapid.IntRange(0, 2).Draw(t, "how")
	for i, h := range of {
		switch {
		case i == at && how == 0:
			h = spoil(t, h)
		case i == at && how == 1:
			continue
		case i == at:
			spoilt = append(spoilt, h)
		}
		spoilt = append(spoilt, h)
	}
	if at == len(of) {
		spoilt = append(spoilt, seal.Hash{})
	}
	return spoilt
}

func sliceOf(h seal.Hash) []byte { return h[:] }

func slicesOf(all []seal.Hash) (of [][]byte) {
	for _, h := range all {
		of = append(of, sliceOf(h))
	}
	return of
}

func TestWhatCannotBeProved(t *testing.T) {
	t.Parallel()
	var g grown
	g.add([]byte("a"))
	for _, c := range [][2]int64{{0, 1}, {-1, 1}, {2, 1}, {1, 0}} {
		_, err := seal.ProveInclusion(c[0], c[1], &g)
		require.Error(t, err, "%v", c)
	}
	for _, c := range [][2]int64{{-1, 1}, {2, 1}} {
		_, err := seal.ProveConsistency(c[0], c[1], &g)
		require.Error(t, err, "%v", c)
	}
	_, err := seal.Resume(-1, &g)
	require.Error(t, err)
	_, err = seal.Resume(3, tlog.HashReaderFunc(func([]int64) ([]seal.Hash, error) { return nil, nil }))
	require.ErrorContains(t, err, "0 hashes were given for 2")
}
