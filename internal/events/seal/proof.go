package seal

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// An Inclusion proves that a leaf is in the tree of a size (RFC 6962, section 2.1.1).
type Inclusion struct {
	Index  int64  // of the leaf, from 0
	Size   int64  // of the tree
	Hashes []Hash // from the leaf's sibling up to a child of the root
}

// ProveInclusion proves that the event at a position, from 1, is among the first size.
func ProveInclusion(position, size int64, stored Reader) (Inclusion, error) {
	if position < 1 || position > size {
		return Inclusion{}, fmt.Errorf("prove that position %d is among the first %d: it is not", position, size)
	}
	hashes, err := tlog.ProveRecord(size, position-1, stored)
	if err != nil {
		return Inclusion{}, fmt.Errorf("prove that position %d is among the first %d: %w", position, size, err)
	}
	return Inclusion{Index: position - 1, Size: size, Hashes: hashes}, nil
}

// Check says whether the proof holds for a leaf and a root; nil: it does.
func (p Inclusion) Check(leaf, root Hash) error {
	if err := tlog.CheckRecord(p.Hashes, p.Size, root, p.Index, leaf); err != nil {
		return fmt.Errorf("the proof does not show that this leaf has the index %d in the tree of size %d", p.Index, p.Size)
	}
	return nil
}

// proofHead is the first line of a proof as text (C2SP tlog-proof, version 1).
const proofHead = "c2sp.org/tlog-proof@v1"

// Text gives the proof with the signed checkpoint of its size, to be checked by whoever has the event and the public key.
func (p Inclusion) Text(checkpoint []byte) []byte {
	var text bytes.Buffer
	fmt.Fprintf(&text, "%s\nindex %d\n", proofHead, p.Index)
	for _, h := range p.Hashes {
		text.WriteString(h.String() + "\n")
	}
	text.WriteString("\n")
	text.Write(checkpoint)
	return text.Bytes()
}

// CheckText checks a proof as text against an event's canonical bytes and gives the checkpoint that it is part of.
func CheckText(text, canonical []byte, known ...note.Verifier) (Checkpoint, Inclusion, error) {
	head, signed, found := bytes.Cut(text, []byte("\n\n"))
	lines := strings.Split(string(head), "\n")
	if !found || lines[0] != proofHead {
		return Checkpoint{}, Inclusion{}, fmt.Errorf("expected a proof that begins with %s", proofHead)
	}
	lines = lines[1:]
	if len(lines) > 0 && strings.HasPrefix(lines[0], "extra ") { // proves nothing
		lines = lines[1:]
	}
	if len(lines) == 0 {
		return Checkpoint{}, Inclusion{}, errors.New("proof: expected a line with the index")
	}
	digits, is := strings.CutPrefix(lines[0], "index ")
	index, err := strconv.ParseInt(digits, 10, 64)
	if !is || err != nil || index < 0 || strconv.FormatInt(index, 10) != digits {
		return Checkpoint{}, Inclusion{}, fmt.Errorf("proof: expected an index, not %q", lines[0])
	}
	p := Inclusion{Index: index}
	for _, line := range lines[1:] {
		h, err := parseHash(line)
		if err != nil {
			return Checkpoint{}, Inclusion{}, fmt.Errorf("proof: %w", err)
		}
		p.Hashes = append(p.Hashes, h)
	}
	c, err := Open(signed, known...)
	if err != nil {
		return Checkpoint{}, Inclusion{}, err
	}
	p.Size = c.Size
	return c, p, p.Check(Leaf(canonical), c.Root)
}

// A Consistency proves that a log of one size is the beginning of that log at a larger size (RFC 6962, section 2.1.2).
type Consistency struct {
	From, To int64
	Hashes   []Hash // none where the sizes are the same, or nothing was there at first
}

// ProveConsistency proves that the log of size from is the beginning of the log of size to.
func ProveConsistency(from, to int64, stored Reader) (Consistency, error) {
	p := Consistency{From: from, To: to}
	if from < 0 || from > to {
		return p, fmt.Errorf("prove that a log of %d is the beginning of one of %d: it cannot be", from, to)
	}
	if from == 0 || from == to {
		return p, nil
	}
	hashes, err := tlog.ProveTree(to, from, stored)
	if err != nil {
		return p, fmt.Errorf("prove that a log of %d is the beginning of one of %d: %w", from, to, err)
	}
	p.Hashes = hashes
	return p, nil
}

// Check says whether the proof holds for the two roots; nil: it does.
func (p Consistency) Check(from, to Hash) error {
	var err error
	switch {
	case p.From < 0 || p.From > p.To:
		err = errors.New("sizes")
	case p.From == 0: // everything begins with nothing; what its root is, is known
		if len(p.Hashes) > 0 || from != emptyRoot || p.To == 0 && to != emptyRoot {
			err = errors.New("empty")
		}
	default:
		err = tlog.CheckTree(p.Hashes, p.To, to, p.From, from)
	}
	if err != nil {
		return fmt.Errorf("the proof does not show that the log of size %d is the beginning of the log of size %d", p.From, p.To)
	}
	return nil
}
