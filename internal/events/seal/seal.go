// Package seal makes tampering with the log evident: a Merkle tree over the events' bytes (RFC 6962, section 2.1),
// checkpoints of it that are signed (C2SP tlog-checkpoint and signed-note), proofs that an event is in it and that it
// only grew, and the verification of a whole log. It does not know where events, hashes and checkpoints are kept, and
// it never has the time.
//
// An event's leaf is the hash of its canonical bytes, as they are stored. Positions count from 1 and indexes, which the
// standards speak of, from 0: the event at position p has the index p-1.
package seal

import (
	"fmt"
	"math/bits"
	"slices"

	"golang.org/x/mod/sumdb/tlog"
)

// A Hash is a SHA-256 of a leaf or of a node of the tree.
type Hash = tlog.Hash

// A Reader gives hashes of a tree by their stored index (tlog.StoredHashIndex), all that are asked for at once.
type Reader = tlog.HashReader

// Leaf is the leaf hash of an event: SHA-256 of a zero byte and its canonical bytes.
func Leaf(canonical []byte) Hash { return tlog.RecordHash(canonical) }

// A Tree grows by one leaf at a time and remembers its right edge only: the roots of the complete subtrees that its
// leaves make up, at most 63. The zero Tree is empty.
type Tree struct {
	size int64
	edge []Hash // the largest subtree first, one for every bit of size
}

// Size is the number of leaves.
func (t *Tree) Size() int64 { return t.size }

// Add appends a leaf. It appends to stored what must be kept of it, in the order of the stored indexes: the leaf, and the
// node of every subtree that it completes. All that was ever added this way, from an empty tree on, is what a Reader gives.
func (t *Tree) Add(stored []Hash, leaf Hash) []Hash {
	stored = append(stored, leaf)
	t.edge = append(t.edge, leaf)
	for range bits.TrailingZeros64(^uint64(t.size)) { // a carry of this addition is a subtree completed
		last := len(t.edge) - 1
		node := tlog.NodeHash(t.edge[last-1], t.edge[last])
		t.edge = append(t.edge[:last-1], node)
		stored = append(stored, node)
	}
	t.size++
	return stored
}

// Clone gives a tree of its own that stands where this one does.
func (t *Tree) Clone() *Tree { return &Tree{size: t.size, edge: slices.Clone(t.edge)} }

// Root is the hash of the whole tree as it stands; of the empty one the hash of nothing.
func (t *Tree) Root() Hash {
	if t.size == 0 {
		return emptyRoot
	}
	root := t.edge[len(t.edge)-1]
	for i := len(t.edge) - 2; i >= 0; i-- {
		root = tlog.NodeHash(t.edge[i], root)
	}
	return root
}

// emptyRoot is the root of a tree without leaves (RFC 6962, section 2.1).
var emptyRoot, _ = tlog.TreeHash(0, nil)

// Resume gives a tree that has grown to a size already, by its right edge.
func Resume(size int64, stored Reader) (*Tree, error) {
	if size < 0 {
		return nil, fmt.Errorf("resume a tree of size %d: it is negative", size)
	}
	var indexes []int64
	begins := int64(0)
	for level := 62; level >= 0; level-- {
		if size&(1<<level) != 0 {
			indexes = append(indexes, tlog.StoredHashIndex(level, begins>>level))
			begins += 1 << level
		}
	}
	if len(indexes) == 0 {
		return &Tree{}, nil
	}
	edge, err := stored.ReadHashes(indexes)
	if err != nil {
		return nil, fmt.Errorf("resume a tree of size %d: %w", size, err)
	}
	if len(edge) != len(indexes) {
		return nil, fmt.Errorf("resume a tree of size %d: %d hashes were given for %d", size, len(edge), len(indexes))
	}
	return &Tree{size: size, edge: edge}, nil
}
