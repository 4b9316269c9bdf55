package projections

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// This file answers what a board showed.

var pastDemand = query("past_demand")

// BoardLines is BoardLines under the cut.
func (p *Past) BoardLines(ctx context.Context, place string) ([]BoardLine, error) {
	var board []BoardLine
	var failed error
	filter := StockFilter{Place: place, Kinds: []events.Kind{events.KindRun, events.KindBox}}
	err := p.standing(ctx, filter, false, func(set *workshop.Set, lines []workshop.StockLine) bool {
		for _, l := range lines {
			if l.Unreleased {
				continue
			}
			line, err := boardLine(set, l)
			if err != nil {
				failed = err
				return false
			}
			board = append(board, line)
		}
		return true
	})
	if err == nil {
		err = failed
	}
	slices.SortFunc(board, func(a, b BoardLine) int { return workshop.FirstExpiring(&a.StockLine, &b.StockLine) })
	return board, err
}

func boardLine(set *workshop.Set, l workshop.StockLine) (BoardLine, error) {
	line := BoardLine{StockLine: l}
	var expiry events.Expiry
	if run := pastThing(set, l.Code).Run; run != nil {
		line.Allergens, expiry = run.Allergens, run.Expiry
	} else {
		box := set.Box(l.Code)
		line.Allergens, expiry, line.Name, line.Contents = box.Allergens, box.Expiry, box.Name, box.Contents
	}
	var err error
	if line.Expiry, err = json.Marshal(expiry); err != nil {
		return line, fmt.Errorf("show the date of %s: %w", l.Code, err)
	}
	return line, nil
}

// Demand is Demand under the cut, of some designs. Of sales before the days that count it only says that there were any: the
// first day on which any was sold is none earlier than the last of them.
func (p *Past) Demand(ctx context.Context, place string, designs []string, today civil.Day) (map[string]workshop.Demand, error) {
	demand := map[string]workshop.Demand{}
	if p.cut.Known == 0 || len(designs) == 0 {
		return demand, nil
	}
	_, straddling, err := p.straddling(ctx)
	if err != nil {
		return nil, err
	}
	runs := slices.DeleteFunc(straddling, func(code events.Code) bool { return code.Kind() != events.KindRun })
	low, high := ranges(runs)
	from := today.AddDays(-demandDays)
	note := func(design string, day civil.Day, pieces int) {
		d, met := demand[design]
		if !met {
			d = workshop.Demand{First: day, Sold: map[civil.Day]int{}}
		}
		if day.Before(d.First) {
			d.First = day
		}
		if !day.Before(from) {
			d.Sold[day] += pieces
		}
		demand[design] = d
	}
	rows, err := p.q.Query(ctx, pastDemand, place, designs, dateOf(from), dateOf(today), p.cut.Known, low, high)
	if err != nil {
		return nil, wrap(err, "read the demand at "+place)
	}
	var design string
	var day civil.Day
	var pieces int
	if _, err = pgx.ForEachRow(rows, []any{&design, &day, &pieces}, func() error { note(design, day, pieces); return nil }); err != nil {
		return nil, wrap(err, "read the demand at "+place)
	}
	set, _, err := p.fold(ctx, runs, asking{bare: true})
	if err != nil {
		return nil, err
	}
	for _, m := range set.Movements {
		if m.Cause == workshop.CauseSold && m.Place == place && slices.Contains(designs, m.Subject) && m.Day.Before(today) &&
			slices.ContainsFunc(runs, func(run events.Code) bool { return run.Whole() == m.Code.Whole() }) {
			note(m.Subject, m.Day, int(-m.Delta))
		}
	}
	return demand, nil
}

// ranges says where the codes of some things' wholes and their parts begin and end in their order.
func ranges(codes []events.Code) (low, high []string) {
	low, high = make([]string, len(codes)), make([]string, len(codes))
	for i, code := range codes {
		low[i], high[i] = stem(code.Whole())+"-", stem(code.Whole())+"/" // a part has a dot, which is between the two
	}
	return low, high
}
