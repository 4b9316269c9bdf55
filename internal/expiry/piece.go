package expiry

import (
	"cmp"
	"slices"
	"time"
)

// A Piece is what is moulded, or set: its shell, cap and decorations by what they were made of, and its fillings by
// the answers they had. A solid piece, a block set from a vat and a box of pieces are pieces too; the pieces in a box
// are its fillings.
type Piece struct {
	MadeAt   time.Time
	Zone     *time.Location
	Fillings []PieceFilling
	Inputs   []Input // shell, cap, decorations
	Scheme   *Scheme // the shop's own rules that its Inputs were read by; nil: DefaultScheme
}

// A PieceFilling is a ganache, or a lot that was filled in straight, with its own answer.
type PieceFilling struct {
	Code     string
	Answer   Answer
	FilledAt time.Time // if not at the making
}

// DatePiece dates a piece by its earliest filling and by what else it is made of; all their limits are listed. It has
// no date while one of its fillings has none. It is a use-by if one of its fillings is, or if a use-by is among the
// limits of the rest of it. Status, water activity and pH are those of the filling that ends first.
func DatePiece(p Piece) Answer {
	a := Answer{Kind: KindBestBefore, Status: StatusNotEstimated}
	for _, in := range p.Inputs {
		a.Limits = append(a.Limits, in.limitsWithin(release{}, p.MadeAt, p.Zone)...)
	}
	if anyUseBy(a.Limits) {
		a.Kind = KindUseBy
	}
	fillings := slices.SortedFunc(slices.Values(p.Fillings), firstToEnd)
	dated, tables := true, []string{p.Scheme.tables()}
	var theirs []string
	for i, filling := range fillings {
		if i == 0 {
			a.Status, a.WaterActivity, a.PH = filling.Answer.Status, filling.Answer.WaterActivity, filling.Answer.PH
			a.UsedShare, a.Instead = filling.Answer.UsedShare, filling.Answer.Instead
		}
		if filling.Answer.Kind == KindUseBy {
			a.Kind = KindUseBy
		}
		dated = dated && filling.Answer.Binds != ""
		a.Limits = append(a.Limits, filling.limits(p)...)
		tables = append(tables, filling.Answer.Tables)
		theirs = append(theirs, ofItsOwn(filling.Answer.Cautions)...)
	}
	a.Tables = allTables(tables...)
	a = settle(a, dated, p.Zone, p.MadeAt)
	a.Cautions = together(cautionsOf(a.Kind, a.Binds != ""), theirs)
	return a
}

// firstToEnd orders fillings: those without a date first, then by their ends.
func firstToEnd(a, b PieceFilling) int {
	undated := func(f PieceFilling) int {
		if f.Answer.Binds == "" {
			return 0
		}
		return 1
	}
	return cmp.Or(
		cmp.Compare(undated(a), undated(b)), a.Answer.EndsBy.Compare(b.Answer.EndsBy), cmp.Compare(a.Code, b.Code),
	)
}

// limits gives the filling's limits to the piece. That of a piping bag is met once the filling is in the mould.
func (f PieceFilling) limits(p Piece) []Limit {
	filledAt := f.FilledAt
	if filledAt.IsZero() {
		filledAt = p.MadeAt
	}
	limits := f.Answer.passedOn(f.Code)
	for i, l := range limits {
		if l.Name == LimitPipingBag && l.ReleasedBy == "" && filledAt.Before(l.end(p.Zone)) {
			limits[i].ReleasedBy = ReleasedByFilling
		}
	}
	return limits
}

// Inherit adds to a part's answer what its whole turns out to be limited by and the part is not: the civil days of its
// ingredients. The clocks of the part are its own. It never makes a date later.
func Inherit(part, whole Answer, zone *time.Location) Answer {
	a := part
	a.Limits = slices.Clone(part.Limits)
	for _, l := range whole.Limits {
		if l.At == nil && l.ReleasedBy == "" && slices.Contains(ofIngredients, l.Name) {
			a.Limits = append(a.Limits, l)
		}
	}
	return settle(a, part.Binds != "", zone, part.EndsBy)
}

// ofIngredients are the limits that come from what a thing is made of.
var ofIngredients = []string{LimitIngredientUseBy, LimitOpenedIngredient, LimitIngredientBestBefore}
