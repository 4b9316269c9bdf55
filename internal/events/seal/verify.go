package seal

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
)

// An Entry is one event of a log that is verified: where it stands, and its bytes as they are stored. The bytes may be
// used anew for the next one.
type Entry struct {
	Position  int64
	Canonical []byte
}

// Evidence is what a log is held against. Each part may be missing.
type Evidence struct {
	// Checkpoints that were opened with a key, in any order. Only these prove anything: whoever can change events can
	// change stored hashes too.
	Checkpoints []Checkpoint
	// Stored are the hashes kept beside the log, in the order of their indexes from 0 on. They tell which event it is
	// that was changed, where a checkpoint only tells that one was. May be nil.
	Stored iter.Seq2[Hash, error]
	// Check says what else is wrong with an event. May be nil.
	Check func(Entry) error
}

// A Report says what a verification found to be good, up to where it ended.
type Report struct {
	Size        int64 // events of the log
	Root        Hash  // of the tree over all of them; only of a log that was read to its end
	Sealed      int64 // of these, how many the largest checkpoint vouches for
	Checkpoints int   // that the log agrees with
}

// A Finding is what is wrong with a log.
type Finding struct {
	Position int64  // the first that is wrong; 0: it is only known to come after After and not after Until
	After    int64  // the last position that a checkpoint vouches for
	Until    int64  // 0: not known
	Detail   string // a sentence
}

// Error tells the finding with where it is.
func (f *Finding) Error() string {
	switch {
	case f.Position > 0:
		return fmt.Sprintf("position %d: %s", f.Position, f.Detail)
	case f.Until > 0:
		return fmt.Sprintf("positions %d to %d: %s", f.After+1, f.Until, f.Detail)
	}
	return f.Detail
}

// Verify holds a whole log, in the order of positions from 1 on, against what is known of it. It ends at the first thing
// that is wrong, a *Finding, or at an error of what it reads. Its memory does not grow with the log.
func Verify(log iter.Seq2[Entry, error], against Evidence) (Report, error) {
	v := newVerification(against)
	defer v.stop()
	for entry, err := range log {
		if err != nil {
			return v.report, err
		}
		if err := v.take(entry); err != nil {
			return v.report, err
		}
	}
	return v.report, v.end()
}

// A verification is how far Verify has got.
type verification struct {
	tree     Tree
	made     []Hash       // by the newest leaf
	ahead    []Checkpoint // that the log has not grown to yet, the smallest first
	check    func(Entry) error
	nextHash func() (Hash, error, bool)
	stop     func()
	suspect  *Finding // the first event whose stored hash says otherwise: the next checkpoint tells which of the two is right
	report   Report
}

func newVerification(against Evidence) *verification {
	v := &verification{check: against.Check, ahead: slices.Clone(against.Checkpoints), stop: func() {}}
	slices.SortFunc(v.ahead, func(a, b Checkpoint) int { return cmp.Compare(a.Size, b.Size) })
	if against.Stored != nil {
		v.nextHash, v.stop = iter.Pull2(against.Stored)
	}
	return v
}

// take adds one event.
func (v *verification) take(entry Entry) error {
	if v.tree.Size() == 0 { // checkpoints of the empty log
		if err := v.compare(); err != nil {
			return err
		}
	}
	if due := v.tree.Size() + 1; entry.Position != due {
		return v.first(&Finding{Position: due, Detail: fmt.Sprintf("it is missing: the event found in its place has position %d", entry.Position)})
	}
	if v.check != nil {
		if err := v.check(entry); err != nil {
			return v.first(&Finding{Position: entry.Position, Detail: err.Error()})
		}
	}
	v.made = v.tree.Add(v.made[:0], Leaf(entry.Canonical))
	if err := v.compareStored(entry.Position); err != nil {
		return err
	}
	v.report.Size = v.tree.Size()
	return v.compare()
}

// compareStored holds what the newest leaf made against the stored hashes, as far as they go.
func (v *verification) compareStored(position int64) error {
	for level, made := range v.made {
		if v.nextHash == nil {
			return nil
		}
		stored, err, more := v.nextHash()
		switch {
		case err != nil:
			return err
		case !more:
			v.nextHash = nil
			if level > 0 {
				return v.first(&Finding{Position: position, Detail: "of the hashes that its sealing stored some are missing"})
			}
		case stored != made && v.suspect == nil:
			v.suspect = &Finding{Position: position}
		}
	}
	return nil
}

// compare holds the tree against every checkpoint of its size.
func (v *verification) compare() error {
	for len(v.ahead) > 0 && v.ahead[0].Size == v.tree.Size() {
		if v.ahead[0].Root != v.tree.Root() {
			return v.differs(v.ahead[0])
		}
		v.report.Sealed = v.tree.Size()
		v.report.Checkpoints++
		v.ahead = v.ahead[1:]
		if v.suspect != nil {
			v.suspect.Detail = fmt.Sprintf("a hash stored at its sealing was changed afterwards; the event itself is the one that the checkpoint of size %d vouches for", v.report.Sealed)
			return v.suspect
		}
	}
	return nil
}

// differs tells why a checkpoint's root is not the log's.
func (v *verification) differs(c Checkpoint) error {
	if v.suspect != nil {
		v.suspect.Detail = fmt.Sprintf("the event is not the one that was sealed: its hash is another, and the checkpoint of size %d does not fit", c.Size)
		return v.suspect
	}
	return &Finding{
		After: v.report.Sealed, Until: c.Size,
		Detail: fmt.Sprintf("the log is not the one that the checkpoint of size %d was signed for: something in it was changed, and the stored hashes, if there are any, with it; or the checkpoint is of another log", c.Size),
	}
}

// first gives the finding that comes first in the log: one that the stored hashes told of before, or this.
func (v *verification) first(f *Finding) error {
	if v.suspect != nil {
		v.suspect.Detail = "the event is not the one whose hash was stored when it was sealed"
		return v.suspect
	}
	f.After = v.report.Sealed
	return f
}

// end says what is wrong with a log that ends here.
func (v *verification) end() error {
	if v.tree.Size() == 0 {
		if err := v.compare(); err != nil {
			return err
		}
	}
	v.report.Size, v.report.Root = v.tree.Size(), v.tree.Root()
	if len(v.ahead) > 0 {
		return v.first(&Finding{
			Position: v.tree.Size() + 1,
			Detail:   fmt.Sprintf("it is missing, and all after it: the log ends with %d, and a checkpoint was signed of %d events", v.tree.Size(), v.ahead[len(v.ahead)-1].Size),
		})
	}
	if v.nextHash != nil {
		switch _, err, more := v.nextHash(); {
		case err != nil:
			return err
		case more:
			return v.first(&Finding{Position: v.tree.Size() + 1, Detail: fmt.Sprintf("it is missing: the log ends with %d, but hashes of later events are stored", v.tree.Size())})
		}
	}
	if v.suspect != nil {
		return v.first(nil)
	}
	return nil
}
