package expiry

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
)

// The kinds of a date mark. A best before end is good through its month's last day. Goods that come with no mark may
// have a life that the shop gives them: see KeepsDays.
const (
	MarkUseBy         = "use_by"
	MarkBestBefore    = "best_before"
	MarkBestBeforeEnd = "best_before_end"
	MarkNone          = "none"
	markKeepsDays     = "keeps_days"
)

// A Mark is the date on a lot, inclusive. Of MarkNone the date is the zero Day.
type Mark struct {
	Kind string
	Date civil.Day
}

// KeepsDays is the mark of goods that came with none and that the shop keeps for so many days after their receipt.
func KeepsDays(received civil.Day, days int) Mark {
	return Mark{Kind: markKeepsDays, Date: received.AddDays(days)}
}

// An Opening is when a portion was opened and how many days it keeps from then: through On + LifeDays.
type Opening struct {
	On       civil.Day
	LifeDays int
}

// An Input is what a filling or a piece is made of: a lot or a portion, as often as it holds several lots (a charge is
// one Input for each lot that a date may come from), or an earlier ganache.
type Input struct {
	Code   string    // of the lot, portion or ganache drawn from
	Lot    string    // of a portion: its lot's code
	Kind   string    // the ingredient's kind: couverture, dairy, fruit, sugar, …
	Mark   Mark      // of the lot
	Opened *Opening  // of a portion
	Heated bool      // it went through the heat step
	UsedAt time.Time // when it was used, if not at the making
	Trace  bool      // it came out of a vat of which it was less than 0.1 %
	// BestBeforeBinds is the shop's own rule on whether the best-before of this kind of ingredient dates what is made of it;
	// nil: that of couverture, dairy, fruit and nuts does (common practice, no source).
	BestBeforeBinds *bool
	Rework          *Answer // of an earlier ganache: its own answer, whose limits all pass on
}

// DateBindingKinds are the kinds of ingredient whose best-before dates what is made of them, where the shop has no rule of
// its own (common practice, no source).
func DateBindingKinds() []string { return []string{"couverture", "dairy", "fruit", "nut"} }

func (in Input) bestBeforeBinds() bool {
	if in.BestBeforeBinds != nil {
		return *in.BestBeforeBinds
	}
	return slices.Contains(DateBindingKinds(), in.Kind)
}

// ownLimits gives what a lot's mark and a portion's opening say, nothing released.
func (in Input) ownLimits() []Limit {
	var limits []Limit
	lot := in.Lot
	if lot == "" {
		lot = in.Code
	}
	bestBefore := Limit{Name: LimitIngredientBestBefore, Subject: lot, Source: "the supplier's best before", Basis: basisDateMark}
	switch in.Mark.Kind {
	case MarkUseBy:
		limits = append(limits, through(in.Mark.Date, Limit{
			Name: LimitIngredientUseBy, Subject: lot, Source: "the supplier's use by", Basis: basisDateMark,
		}))
	case MarkBestBefore:
		limits = append(limits, through(in.Mark.Date, bestBefore))
	case MarkBestBeforeEnd:
		limits = append(limits, through(in.Mark.Date.EndOfMonth(), bestBefore))
	case markKeepsDays:
		bestBefore.Source, bestBefore.Basis = "the shop's days from receipt", basisShop
		limits = append(limits, through(in.Mark.Date, bestBefore))
	}
	if in.Opened != nil {
		limits = append(limits, through(in.Opened.On.AddDays(in.Opened.LifeDays), Limit{
			Name: LimitOpenedIngredient, Subject: in.Code, Basis: basisOpenLife,
			Source: fmt.Sprintf("opened %s, keeps %d days", in.Opened.On, in.Opened.LifeDays),
		}))
	}
	return limits
}

// limitsWithin gives an input's limits in what is made of it. released says which of its use-by limits an assessment
// releases for a heated input that was in date when used, and on which document's word.
func (in Input) limitsWithin(released release, made time.Time, zone *time.Location) []Limit {
	limits := in.ownLimits()
	if in.Heated && in.inDate(limits, made, zone) {
		for i, l := range limits {
			if slices.Contains(released.names, l.Name) {
				limits[i].ReleasedBy = released.document
			}
		}
	}
	for i, l := range limits {
		switch {
		case l.Name != LimitIngredientBestBefore:
		case !in.bestBeforeBinds():
			limits[i].ReleasedBy = ReleasedByKind
		case in.Trace:
			limits[i].ReleasedBy = ReleasedByTrace
		}
	}
	if in.Rework != nil {
		limits = append(limits, in.Rework.passedOn(in.Code)...)
	}
	return limits
}

// inDate tells whether none of the input's use-by limits was over when it was used.
func (in Input) inDate(limits []Limit, made time.Time, zone *time.Location) bool {
	used := in.UsedAt
	if used.IsZero() {
		used = made
	}
	for _, l := range limits {
		if l.Name != LimitIngredientBestBefore && !used.Before(l.end(zone)) {
			return false
		}
	}
	return true
}

// passedOn gives an answer's limits to what is made of the thing with that code: as they are then, whatever they have
// lost before.
func (a Answer) passedOn(code string) []Limit {
	limits := slices.Clone(a.Limits)
	for i := range limits {
		limits[i].LostH, limits[i].WholeSource = 0, ""
		if limits[i].Subject == "" {
			limits[i].Subject = code
		}
	}
	return limits
}

// DateLot dates a lot as it came, or a portion from its opening: the earlier of the lot's date and the opened life.
// The date mark of any kind of ingredient binds the lot itself. since orders those that have no date: the receipt.
// It is a use-by if a use-by or an opened life is among its limits.
func DateLot(in Input, since time.Time, zone *time.Location) Answer {
	a := Answer{Kind: KindBestBefore, Limits: in.ownLimits(), Status: StatusNotEstimated}
	if anyUseBy(a.Limits) {
		a.Kind = KindUseBy
	}
	a.Cautions = cautionsOf(a.Kind, true)
	if len(a.Limits) == 0 {
		a.Cautions = []string{CautionLaw, CautionNoMark}
	}
	return settle(a, true, zone, since)
}

// anyUseBy tells whether a limit that is a use-by in every answer binds.
func anyUseBy(limits []Limit) bool {
	return slices.ContainsFunc(limits, func(l Limit) bool { return l.ReleasedBy == "" && l.isUseBy(KindBestBefore) })
}
