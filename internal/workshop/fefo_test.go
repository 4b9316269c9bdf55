package workshop_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// anyLine is a line of domes at the counter, in whatever state.
func anyLine(t *rapid.T, s *shop, sequence int) workshop.StockLine {
	end := s.now.AddDate(0, 0, rapid.IntRange(-3, 6).Draw(t, "days"))
	line := workshop.StockLine{
		StockKey: workshop.StockKey{
			Code:       events.NewCode(events.KindRun, civil.Day{Year: 2026, Month: 11, Day: 1}, sequence, rapid.IntRange(0, 1).Draw(t, "part")),
			Place:      "counter",
			Grade:      rapid.SampledFrom([]string{"first", "first", "first", "second", "unfilled"}).Draw(t, "grade"),
			Unreleased: rapid.IntRange(0, 4).Draw(t, "unreleased") == 0,
		},
		Subject: "blackcurrant-dome", Site: "quay-lane", Amount: int64(rapid.IntRange(0, 8).Draw(t, "pieces")),
		Held: rapid.IntRange(0, 3).Draw(t, "held") == 0, PieceMass: g(11.7), ArrivedAt: s.now.Add(-time.Hour),
		Dates: workshop.LineDates{Kind: "use_by", Date: ptr(civil.DayOf(end, time.UTC)), EndsBy: end, DiscardBy: &end},
	}
	if rapid.IntRange(0, 3).Draw(t, "best before") == 0 {
		line.Dates.Kind, line.Dates.DiscardBy = "best_before", nil
	}
	if rapid.IntRange(0, 5).Draw(t, "late") == 0 {
		line.ArrivedAt = s.now.Add(time.Minute)
		line.LastAt = line.ArrivedAt
	}
	return line
}

// A sale by design against a look at every line: it takes what was asked or nothing; never what is past its use-by,
// held, not released, of a lesser grade or not there yet; and never passes over an earlier date.
func TestASaleByDesignTakesTheFirstToExpire(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := newWorkshop(t)
		var lines []workshop.StockLine
		for i := range rapid.IntRange(0, 9).Draw(t, "lines") {
			line := anyLine(t, s, i+1)
			lines = append(lines, line)
			s.set.AddLine(line)
			if line.ArrivedAt.After(s.now) {
				s.set.Movements = append(s.set.Movements, workshop.Movement{OccurredAt: line.ArrivedAt, StockKey: line.StockKey, Delta: line.Amount})
			}
		}
		wanted := rapid.IntRange(1, 20).Draw(t, "wanted")
		sellable := map[workshop.StockKey]workshop.StockLine{}
		held, past, waiting := 0, 0, 0
		available := 0
		for _, l := range lines {
			isPast := l.Dates.DiscardBy != nil && !s.now.Before(*l.Dates.DiscardBy)
			switch {
			case l.Grade != "first" || l.ArrivedAt.After(s.now):
			case l.Unreleased:
				waiting += int(l.Amount)
			case isPast:
				past += int(l.Amount)
			case l.Held:
				held += int(l.Amount)
			default:
				sellable[l.StockKey] = l
				available += int(l.Amount)
			}
		}

		cmd := sale(byDesign("blackcurrant-dome", wanted))
		cmd.OccurredAt = ptr(s.now)
		answer, refusal := s.try(cmd)
		if available < wanted {
			require.NotNil(t, refusal)
			require.Equal(t, available, refusal.Facts["available"])
			want := workshop.RefusedNotEnough
			switch lacks := wanted - available; {
			case held > 0 && held >= lacks:
				want = workshop.RefusedOnHold
			case past > 0 && held+past >= lacks:
				want = workshop.RefusedPastDate
			case waiting > 0 && held+past+waiting >= lacks:
				want = workshop.RefusedNotReleased
			}
			require.Equal(t, want, refusal.Slug)
			return
		}
		require.Nil(t, refusal)
		taken := map[workshop.StockKey]int{}
		total := 0
		for _, a := range answer.(workshop.Sold).Lines[0].Allocations {
			key := workshop.StockKey{Code: a.Code, Place: "counter", Grade: a.Grade, Unreleased: a.Unreleased}
			require.Contains(t, sellable, key)
			taken[key] += a.Pieces
			total += a.Pieces
			require.Equal(t, sellable[key].Dates.Date, a.Date)
			require.Equal(t, len(standing(lines, s.now)) == 1, a.How == "single_run_on_place")
		}
		require.Equal(t, wanted, total)
		for key, line := range sellable {
			require.LessOrEqual(t, taken[key], int(line.Amount))
			require.Equal(t, line.Amount-int64(taken[key]), s.set.Line(key).Amount)
			if taken[key] == int(line.Amount) {
				continue
			}
			for later := range taken {
				other := sellable[later]
				require.False(t, other.Dates.EndsBy.After(line.Dates.EndsBy), "%s was passed over for %s", key.Code, later.Code)
				if other.Dates.EndsBy.Equal(line.Dates.EndsBy) && later != key {
					require.Negative(t, other.Code.Compare(line.Code), "of one date, the earlier code")
				}
			}
		}
	})
}

// standing lists the codes that physically stood there at an instant.
func standing(lines []workshop.StockLine, at time.Time) []events.Code {
	var codes []events.Code
	for _, l := range lines {
		if l.Amount > 0 && !l.ArrivedAt.After(at) && !slices.Contains(codes, l.Code) {
			codes = append(codes, l.Code)
		}
	}
	return codes
}

// A recipe picked against a look at every lot: what is opened first, then the first to expire; the amount asked or
// nothing; never past a use-by, never on hold, never of another site.
func TestAPickOfLotsTakesTheFirstToExpire(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := newWorkshop(t)
		s.do(workshop.Define{Slug: "creamy", Body: events.Formula{Name: "Creamy", Storage: "cool", Inputs: []events.FormulaInput{
			{Ingredient: "cream-35", Quantity: g(100), Heated: true}, {Ingredient: "cream-35", Quantity: g(50)},
		}}})
		usable := map[events.Code]events.Mass{}
		for range rapid.IntRange(0, 7).Draw(t, "lots") {
			cmd := delivery("cream-35", float64(rapid.IntRange(20, 200).Draw(t, "grams")), useBy("2026-12-04"))
			cmd.DateMark.Date = ptr(day("2026-11-26").AddDays(rapid.IntRange(-1, 4).Draw(t, "days")))
			if rapid.IntRange(0, 4).Draw(t, "stall") == 0 {
				cmd.Place = "stall"
			}
			lot := s.do(cmd).(*workshop.Lot).Code
			opened := events.Mass(0)
			if rapid.Bool().Draw(t, "opened") {
				opened = g(10)
				s.do(workshop.Open{Lot: lot, Quantity: opened})
			}
			held := rapid.IntRange(0, 4).Draw(t, "held") == 0
			if held {
				s.hold(lot, false)
			}
			if held || cmd.Place == "stall" || cmd.DateMark.Date.Before(day("2026-11-26")) {
				continue
			}
			usable[lot] = cmd.Quantity - opened
			if opened > 0 {
				usable[lot.Part(1)] = opened
			}
		}
		s.now = at("2026-11-26T08:00:00Z")
		ends := func(code events.Code) time.Time { return s.set.Lot(code).Expiry.EndsBy }
		before := map[events.Code]time.Time{}
		total := events.Mass(0)
		for code, amount := range usable {
			total += amount
			before[code] = ends(code)
		}
		cmd := workshop.MakeGanache{Formula: "creamy", Place: "workshop", PickFefo: true, Scale: float64(rapid.IntRange(1, 8).Draw(t, "scale"))}
		wanted := events.Mass(cmd.Scale * float64(g(150)))
		_, refusal := s.try(cmd)
		if wanted > total {
			require.NotNil(t, refusal)
			require.Equal(t, workshop.RefusedNotEnough, refusal.Slug)
			return
		}
		require.Nil(t, refusal)
		taken := map[events.Code]events.Mass{}
		sum := events.Mass(0)
		opening := map[events.Code]events.Code{} // a portion that was opened by itself stands for its lot
		for _, r := range s.recorded() {
			if o, is := r.Data.(events.PortionOpened); is {
				opening[o.Portion] = o.Lot
			}
		}
		for _, input := range last[events.GanacheMade](s).Inputs {
			source := input.Source
			if lot, byItself := opening[source]; byItself {
				source = lot
			}
			taken[source] += input.Quantity
			sum += input.Quantity
			require.LessOrEqual(t, taken[source], usable[source], "%s may not be used", source)
		}
		require.Equal(t, wanted, sum)
		for code, amount := range usable {
			if taken[code] == amount {
				continue
			}
			for later := range taken {
				if code.IsPart() == later.IsPart() {
					require.False(t, before[later].After(before[code]), "%s was passed over for %s", code, later)
				} else {
					require.True(t, later.IsPart(), "%s is open", code)
				}
			}
		}
	})
}

func TestPickTakesWhatIsAskedOrSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var lines []*workshop.StockLine
		total := 0
		for _, amount := range rapid.SliceOfN(rapid.IntRange(0, 9), 0, 8).Draw(t, "amounts") {
			lines = append(lines, &workshop.StockLine{Amount: int64(amount)})
			total += amount
		}
		wanted := rapid.IntRange(0, 40).Draw(t, "wanted")
		picked, missing := workshop.Pick(lines, wanted, func(l *workshop.StockLine) int { return int(l.Amount) })
		require.Equal(t, max(0, wanted-total), missing)
		sum := 0
		for i, p := range picked {
			sum += p.Amount
			require.Positive(t, p.Amount)
			require.True(t, i == len(picked)-1 || int64(p.Amount) == p.Line.Amount, "only the last is taken in part")
		}
		require.Equal(t, wanted, sum+missing)
	})
}
