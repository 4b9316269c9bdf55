package workshop

import (
	"cmp"
	"slices"
	"strings"

	"firstout/internal/events"
)

// Quantity is a mass, and of pieces their number too.
type Quantity struct {
	Mass   events.Mass
	Pieces int64
}

func (q Quantity) plus(o Quantity) Quantity {
	return Quantity{Mass: q.Mass + o.Mass, Pieces: q.Pieces + o.Pieces}
}

func (q Quantity) minus(o Quantity) Quantity {
	return Quantity{Mass: q.Mass - o.Mass, Pieces: q.Pieces - o.Pieces}
}

// PeriodRow is what came and went of one subject for one cause, in a period or after it. Without a cause it is what
// stands now.
type PeriodRow struct {
	Kind       events.Kind
	Subject    string // ingredient, vat, formula or design
	Cause      string
	After      bool // after the period
	Came, Went Quantity
}

// CauseSum is what came or went for one cause.
type CauseSum struct {
	Cause string
	Quantity
}

// PeriodBalance is the balance of one subject over a period: opening + in − out + difference = closing. In and Out are
// in the order of causes as text.
type PeriodBalance struct {
	Kind       events.Kind
	Subject    string
	Opening    Quantity
	In, Out    []CauseSum
	Difference Quantity // what counts found more; with a minus less
	Closing    Quantity
}

// withinBook are the causes of what only changed its place, its code or its line of stock.
var withinBook = []string{CauseMoved, CauseParted, CauseReleased, CauseOpened}

// foundByCount are the causes of what no one brought and no one took: it was found, or missed.
var foundByCount = []string{CauseCounted, CauseBookShort, CauseAbsorbed}

// PeriodBalances draws up balances backwards from what stands now: whatever came after the period is taken off to give
// the closing stock, and what came in it to give the opening one. Subjects of which there was nothing and nothing
// happened are left out. What was moved out of one site's places into another's is in and out.
func PeriodBalances(rows []PeriodRow) []PeriodBalance {
	type key struct {
		kind    events.Kind
		subject string
	}
	all := map[key]*PeriodBalance{}
	for _, r := range summed(rows) {
		k := key{r.Kind, r.Subject}
		if all[k] == nil {
			all[k] = &PeriodBalance{Kind: r.Kind, Subject: r.Subject}
		}
		all[k].add(r)
	}
	balances := make([]PeriodBalance, 0, len(all))
	for _, b := range all {
		b.Opening = b.Closing.minus(b.Difference)
		for _, sum := range b.In {
			b.Opening = b.Opening.minus(sum.Quantity)
		}
		for _, sum := range b.Out {
			b.Opening = b.Opening.plus(sum.Quantity)
		}
		byCause := func(x, y CauseSum) int { return strings.Compare(x.Cause, y.Cause) }
		slices.SortFunc(b.In, byCause)
		slices.SortFunc(b.Out, byCause)
		none := Quantity{}
		if b.Opening != none || b.Closing != none || b.Difference != none || len(b.In)+len(b.Out) > 0 {
			balances = append(balances, *b)
		}
	}
	slices.SortFunc(balances, func(x, y PeriodBalance) int {
		return cmp.Or(strings.Compare(x.Kind.String(), y.Kind.String()), strings.Compare(x.Subject, y.Subject))
	})
	return balances
}

// summed adds up the rows of the same subject and cause.
func summed(rows []PeriodRow) []PeriodRow {
	sums, at := make([]PeriodRow, 0, len(rows)), map[PeriodRow]int{}
	for _, r := range rows {
		of := r
		of.Came, of.Went = Quantity{}, Quantity{}
		i, met := at[of]
		if !met {
			at[of] = len(sums)
			sums = append(sums, r)
			continue
		}
		sums[i].Came, sums[i].Went = sums[i].Came.plus(r.Came), sums[i].Went.plus(r.Went)
	}
	return sums
}

func (b *PeriodBalance) add(r PeriodRow) {
	net := r.Came.minus(r.Went)
	switch {
	case r.Cause == "":
		b.Closing = b.Closing.plus(net)
	case r.After:
		b.Closing = b.Closing.minus(net)
	case slices.Contains(foundByCount, r.Cause):
		b.Difference = b.Difference.plus(net)
	case slices.Contains(withinBook, r.Cause):
		b.crossed(r.Cause, net)
	default:
		b.In = addSum(b.In, r.Cause, r.Came)
		b.Out = addSum(b.Out, r.Cause, r.Went)
	}
}

// crossed notes what is left of changes inside the book: that came in by, or went out by, another site's door.
func (b *PeriodBalance) crossed(cause string, net Quantity) {
	if net.Mass >= 0 {
		b.In = addSum(b.In, cause, net)
	} else {
		b.Out = addSum(b.Out, cause, Quantity{}.minus(net))
	}
}

func addSum(sums []CauseSum, cause string, q Quantity) []CauseSum {
	if q == (Quantity{}) {
		return sums
	}
	return append(sums, CauseSum{Cause: cause, Quantity: q})
}
