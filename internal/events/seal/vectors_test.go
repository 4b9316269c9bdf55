package seal_test

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/tlog"

	"firstout/internal/events/seal"
)

// vectors are the facts of testdata/merkle_*.json. The leaves, leaf hashes and roots of merkle_classic8.json are the
// published ones of the Certificate Transparency reference tests (RFC 6962); proofs, good and bad, were judged alike by
// golang.org/x/mod/sumdb/tlog v0.43.0 and github.com/transparency-dev/merkle v0.0.2. The checkpoints are signed with the
// public test seed of RFC 8032, section 7.1, TEST 1.
type vectors struct {
	EmptyRoot   string            `json:"empty_root_hex"`
	Leaves      []string          `json:"leaves_hex"`
	LeafHashes  []string          `json:"leaf_hashes_hex"`
	Roots       map[string]string `json:"roots_hex_by_size"`
	Inclusion   []inclusionCase   `json:"inclusion"`
	Consistency []consistencyCase `json:"consistency"`
	Checkpoints []checkpointCase  `json:"checkpoints"`
}

type inclusionCase struct {
	Size  int64    `json:"tree_size"`
	Index int64    `json:"leaf_index"`
	Leaf  string   `json:"leaf_hash_hex"`
	Root  string   `json:"root_hex"`
	Proof []string `json:"proof_hex"`
	Valid bool     `json:"valid"`
	Note  string   `json:"note"`
}

type consistencyCase struct {
	Size1 int64    `json:"size1"`
	Size2 int64    `json:"size2"`
	Root1 string   `json:"root1_hex"`
	Root2 string   `json:"root2_hex"`
	Proof []string `json:"proof_hex"`
	Valid bool     `json:"valid"`
	Note  string   `json:"note"`
}

type checkpointCase struct {
	Origin string `json:"origin"`
	Key    string `json:"vkey"`
	Size   int64  `json:"tree_size"`
	Root   string `json:"root_hex"`
	Signed string `json:"signed_note"`
	Valid  bool   `json:"valid"`
	Note   string `json:"note"`
}

func eachVectors(t *testing.T, do func(*testing.T, vectors)) {
	for _, file := range []string{"merkle_classic8.json", "merkle_events13.json"} {
		t.Run(file, func(t *testing.T) {
			t.Parallel()
			text, err := os.ReadFile("testdata/" + file)
			require.NoError(t, err)
			var v vectors
			require.NoError(t, json.Unmarshal(text, &v))
			do(t, v)
		})
	}
}

func hash(t testing.TB, digits string) (h seal.Hash) {
	t.Helper()
	decoded, err := hex.DecodeString(digits)
	require.NoError(t, err)
	if len(decoded) == len(h) { // some bad cases have shorter ones: those are all zero here, and as bad
		h = seal.Hash(decoded)
	}
	return h
}

func hashes(t testing.TB, digits []string) (all []seal.Hash) {
	for _, d := range digits {
		all = append(all, hash(t, d))
	}
	return all
}

// grown is a tree with everything that it stored.
type grown struct {
	seal.Tree
	stored []seal.Hash
}

func (g *grown) add(canonical []byte) { g.stored = g.Add(g.stored, seal.Leaf(canonical)) }

// ReadHashes makes it a seal.Reader.
func (g *grown) ReadHashes(indexes []int64) (found []seal.Hash, err error) {
	for _, i := range indexes {
		found = append(found, g.stored[i])
	}
	return found, nil
}

func TestPublishedRoots(t *testing.T) {
	t.Parallel()
	eachVectors(t, func(t *testing.T, v vectors) {
		var g grown
		require.Equal(t, hash(t, v.EmptyRoot), g.Root())
		for i, digits := range v.Leaves {
			leaf, err := hex.DecodeString(digits)
			require.NoError(t, err)
			require.Equal(t, hash(t, v.LeafHashes[i]), seal.Leaf(leaf))
			kept, err := tlog.StoredHashes(int64(i), leaf, &g)
			require.NoError(t, err)
			before := len(g.stored)
			g.add(leaf)
			require.Equal(t, kept, g.stored[before:], "what the library would store")
			require.Equal(t, hash(t, v.Roots[strconv.Itoa(i+1)]), g.Root())
			again, err := seal.Resume(int64(i+1), &g)
			require.NoError(t, err)
			require.Equal(t, g.Root(), again.Root())
		}
	})
}

func TestPublishedProofs(t *testing.T) {
	t.Parallel()
	eachVectors(t, func(t *testing.T, v vectors) {
		var g grown
		for _, digits := range v.Leaves {
			leaf, err := hex.DecodeString(digits)
			require.NoError(t, err)
			g.add(leaf)
		}
		for _, c := range v.Inclusion {
			p := seal.Inclusion{Index: c.Index, Size: c.Size, Hashes: hashes(t, c.Proof)}
			require.Equal(t, c.Valid, p.Check(hash(t, c.Leaf), hash(t, c.Root)) == nil, c.Note)
			if c.Valid {
				made, err := seal.ProveInclusion(c.Index+1, c.Size, &g)
				require.NoError(t, err)
				require.Equal(t, append([]seal.Hash{}, p.Hashes...), append([]seal.Hash{}, made.Hashes...))
			}
		}
		for _, c := range v.Consistency {
			p := seal.Consistency{From: c.Size1, To: c.Size2, Hashes: hashes(t, c.Proof)}
			require.Equal(t, c.Valid, p.Check(hash(t, c.Root1), hash(t, c.Root2)) == nil, c.Note)
			if c.Valid {
				made, err := seal.ProveConsistency(c.Size1, c.Size2, &g)
				require.NoError(t, err)
				require.Equal(t, append([]seal.Hash{}, p.Hashes...), append([]seal.Hash{}, made.Hashes...))
			}
		}
	})
}

func TestPublishedCheckpoints(t *testing.T) {
	t.Parallel()
	eachVectors(t, func(t *testing.T, v vectors) {
		for _, c := range v.Checkpoints {
			key, err := seal.ParseVerifier(c.Key)
			require.NoError(t, err)
			opened, err := seal.Open([]byte(c.Signed), key)
			require.Equal(t, c.Valid, err == nil, c.Note)
			if c.Valid {
				want := seal.Checkpoint{Origin: c.Origin, Size: c.Size, Root: hash(t, c.Root)}
				require.Equal(t, want, opened)
				peeked, err := seal.Peek([]byte(c.Signed))
				require.NoError(t, err)
				require.Equal(t, want, peeked)
			}
		}
	})
}
