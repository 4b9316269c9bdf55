package workshop

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// BoardStock is one line of pieces at a place, as the board judges it.
type BoardStock struct {
	Code            events.Code
	Design          string
	Grade           string
	Pieces          int
	Held            bool
	Dates           LineDates
	DaysForCustomer *int
}

// BoardLine is a line of the board: the stock, when it must go, and why it stands where it stands.
type BoardLine struct {
	BoardStock
	MustGoToday int
	DaysLeft    *int // whole days after today on which it may still be sold; nil where there is no date
	SellBy      *civil.Day
	Why         string
}

// Board is what a counter asks: what comes off now, what must sell today, what next, what keeps.
type Board struct {
	WithdrawNow, SellToday, SellNext, InGoodTime []BoardLine
}

// Demand is what a place sold of a design on each day, and the first day on which it ever sold any.
type Demand struct {
	First civil.Day // zero: never
	Sold  map[civil.Day]int
}

// The board looks at the last four same weekdays, and expects nothing until a week of sales is known.
const (
	sameWeekdays  = 4
	knownDaysMin  = 7
	nextDaysLeft  = 2
	weekDays      = 7
	demandDivisor = 12 // every mean of one to four whole numbers is a whole number of twelfths
)

// expected is the usual demand on each weekday, in twelfths of a piece: the mean of at most the last four such days
// before today on which sales were known at all. A known day without a sale counts as none sold.
func (d Demand) expected(today civil.Day) (twelfths [weekDays]int) {
	for back := 1; back <= weekDays; back++ {
		sum, n := 0, 0
		for day := today.AddDays(-back); !day.Before(d.First) && n < sameWeekdays; day = day.AddDays(-weekDays) {
			sum += d.Sold[day]
			n++
		}
		if n > 0 {
			twelfths[today.AddDays(-back).Weekday()] = sum * demandDivisor / n
		}
	}
	return twelfths
}

// known is how many days of sales are known: from the first sale to yesterday.
func (d Demand) known(today civil.Day) int {
	if d.First.IsZero() {
		return 0
	}
	return today.Sub(d.First)
}

// SortBoard puts the stock of one place into the board's groups, judged on a day (today, or another that is asked
// about) at an instant of it. Demand is known up to known, the day on which it is asked. A line stands in the first
// group that fits; within a group by date, then code.
func SortBoard(stock []BoardStock, demand map[string]Demand, today civil.Day, now time.Time, known civil.Day, zone *time.Location) Board {
	lines := make([]BoardLine, 0, len(stock))
	for _, s := range stock {
		line := BoardLine{BoardStock: s}
		if s.Dates.Date != nil {
			left := s.Dates.Date.Sub(today)
			line.DaysLeft = &left
			if s.DaysForCustomer != nil {
				by := s.Dates.Date.AddDays(-*s.DaysForCustomer)
				line.SellBy = &by
			}
		}
		lines = append(lines, line)
	}
	slices.SortStableFunc(lines, func(a, b BoardLine) int {
		return cmp.Or(a.Dates.EndsBy.Compare(b.Dates.EndsBy), a.Code.Compare(b.Code), cmp.Compare(a.Grade, b.Grade))
	})
	mustGoToday(lines, demand, today, now, known, zone)
	var board Board
	for _, line := range lines {
		board.place(line, now)
	}
	return board
}

func (b *Board) place(line BoardLine, now time.Time) {
	left := line.DaysLeft
	pastBestBefore := left != nil && *left < 0
	switch {
	case line.Held:
		line.Why = "on hold: take it off the counter"
		b.WithdrawNow = append(b.WithdrawNow, line)
	case line.Dates.PastAt(now):
		line.Why = "past its use by: take it off the counter and discard it"
		b.WithdrawNow = append(b.WithdrawNow, line)
	case pastBestBefore:
		line.Why = "past its best before: taste first"
		b.SellToday = append(b.SellToday, line)
	case left == nil:
		line.Why = "no whole day left: sell or discard by " + line.Dates.EndsBy.UTC().Format(time.RFC3339)
		b.SellToday = append(b.SellToday, line)
	case *left == 0:
		line.Why = "today is its last day"
		b.SellToday = append(b.SellToday, line)
	case line.MustGoToday > 0:
		line.Why = fmt.Sprintf("%d must go today: the usual sales will not clear them by %s", line.MustGoToday, line.Dates.Date)
		b.SellToday = append(b.SellToday, line)
	case *left <= nextDaysLeft:
		line.Why = fmt.Sprintf("%d days left after today", *left)
		if *left == 1 {
			line.Why = "tomorrow is its last day"
		}
		b.SellNext = append(b.SellNext, line)
	default:
		line.Why = fmt.Sprintf("%d days left after today", *left)
		b.InGoodTime = append(b.InGoodTime, line)
	}
}

// mustGoToday works out, for each design, how many pieces the usual demand will not clear before their dates:
// the most that S(t) − D(t) reaches over all dates t, S(t) the pieces dated t or earlier that may be sold and D(t)
// the demand expected on the days after today through t. That many go today, the earliest dates first. It is the
// feasibility test of earliest-due-date order (Jackson 1955, from memory). Boxes have no design and no demand is known of
// them: those whose last day it is must go.
func mustGoToday(lines []BoardLine, demand map[string]Demand, today civil.Day, now time.Time, known civil.Day, zone *time.Location) {
	byDesign := map[string][]int{}
	for i, l := range lines {
		if !l.Held && l.Grade == GradeFirst && !l.Dates.PastAt(now) {
			byDesign[l.Design] = append(byDesign[l.Design], i)
		}
	}
	for design, indexes := range byDesign {
		total := 0
		for _, n := range mostOver(lines, indexes, demand[design], today, known, zone) {
			total = max(total, n)
		}
		for _, i := range indexes {
			lines[i].MustGoToday = min(total, lines[i].Pieces)
			total -= lines[i].MustGoToday
		}
	}
}

// mostOver gives ceil(S(t) − D(t)) for each date t of the lines, in their order.
func mostOver(lines []BoardLine, indexes []int, demand Demand, today, knownTo civil.Day, zone *time.Location) []int {
	expectedThrough, day, standing := 0, today, 0
	known := demand.known(knownTo) >= knownDaysMin
	usual := demand.expected(knownTo)
	var over []int
	for _, i := range indexes {
		last := lastDay(lines[i], zone)
		if !known && last.After(today) {
			break
		}
		for day.Before(last) {
			day = day.AddDays(1)
			expectedThrough += usual[day.Weekday()]
		}
		standing += lines[i].Pieces
		over = append(over, ceilTwelfths(standing*demandDivisor-expectedThrough))
	}
	return over
}

func ceilTwelfths(n int) int {
	if n <= 0 {
		return 0
	}
	return (n + demandDivisor - 1) / demandDivisor
}

// lastDay is the last day on which a line may be sold; of one with no whole day left, the day on which it ends.
func lastDay(line BoardLine, zone *time.Location) civil.Day {
	if line.Dates.Date != nil {
		return *line.Dates.Date
	}
	return civil.DayOf(line.Dates.EndsBy.Add(-time.Nanosecond), zone)
}
