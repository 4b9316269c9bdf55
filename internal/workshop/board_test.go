package workshop_test

import (
	"math/big"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

var boardDay = day("2026-11-25") // a Wednesday

// dublin is the zone of the shop.
var dublin = func() *time.Location {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return zone
}()

// onBoard is a line of pieces that are good through a day, days after today.
func onBoard(sequence, days, pieces int) workshop.BoardStock {
	date := boardDay.AddDays(days)
	end := date.EndIn(dublin)
	return workshop.BoardStock{
		Code: events.NewCode(events.KindRun, boardDay, sequence, 0), Design: "dome", Grade: "first", Pieces: pieces,
		Dates: workshop.LineDates{Kind: "use_by", Date: &date, EndsBy: end, DiscardBy: &end},
	}
}

// twelveADay is a demand of twelve a day, known for so many days.
func twelveADay(days int) map[string]workshop.Demand {
	d := workshop.Demand{First: boardDay.AddDays(-days), Sold: map[civil.Day]int{}}
	for back := 1; back <= days; back++ {
		d.Sold[boardDay.AddDays(-back)] = 12
	}
	return map[string]workshop.Demand{"dome": d}
}

func boardOf(stock []workshop.BoardStock, demand map[string]workshop.Demand) workshop.Board {
	return workshop.SortBoard(stock, demand, boardDay, at("2026-11-25T10:00:00Z"), boardDay, dublin)
}

func mustGo(lines ...[]workshop.BoardLine) map[events.Code]int {
	all := map[events.Code]int{}
	for _, group := range lines {
		for _, l := range group {
			all[l.Code] = l.MustGoToday
		}
	}
	return all
}

func everyGroup(b workshop.Board) map[events.Code]int {
	return mustGo(b.WithdrawNow, b.SellToday, b.SellNext, b.InGoodTime)
}

// The contract's worked table: 10 due today, 30 tomorrow, 40 in three days, 12 expected a day.
func TestTheBoardsWorkedTable(t *testing.T) {
	t.Parallel()
	stock := []workshop.BoardStock{onBoard(1, 0, 10), onBoard(2, 1, 30), onBoard(3, 3, 40)}
	board := boardOf(stock, twelveADay(28))
	require.Equal(t, map[events.Code]int{stock[0].Code: 10, stock[1].Code: 30, stock[2].Code: 4}, everyGroup(board))
	require.Len(t, board.SellToday, 3)

	board = boardOf(stock, twelveADay(6))
	require.Equal(t, map[events.Code]int{stock[0].Code: 10, stock[1].Code: 0, stock[2].Code: 0}, everyGroup(board),
		"with fewer than 7 days of sales known only today's last-day pieces count")
	require.Len(t, board.SellNext, 1)
	require.Len(t, board.InGoodTime, 1)
	require.Equal(t, everyGroup(boardOf(stock, twelveADay(7))), everyGroup(boardOf(stock, twelveADay(28))))
	require.Equal(t, everyGroup(board), everyGroup(boardOf(stock, nil)), "nothing was ever sold")
}

func TestTheBoardsGroups(t *testing.T) {
	t.Parallel()
	line := func(days int, change func(*workshop.BoardStock)) workshop.BoardStock {
		s := onBoard(1, days, 5)
		s.DaysForCustomer = ptr(2)
		if change != nil {
			change(&s)
		}
		return s
	}
	bestBefore := func(s *workshop.BoardStock) { s.Dates.Kind, s.Dates.DiscardBy = "best_before", nil }
	hours := func(end string) func(*workshop.BoardStock) {
		return func(s *workshop.BoardStock) {
			s.Dates.Date, s.Dates.EndsBy, s.Dates.DiscardBy = nil, at(end), ptr(at(end))
		}
	}
	shellOver := func(s *workshop.BoardStock) { // the shell's best before is over, the filling's use-by is not
		s.Dates.DiscardBy = ptr(boardDay.AddDays(3).EndIn(dublin))
	}
	for name, c := range map[string]struct {
		stock workshop.BoardStock
		group string
		left  *int
		why   string
	}{
		"on hold":                              {line(9, func(s *workshop.BoardStock) { s.Held = true }), "withdraw_now", ptr(9), "on hold"},
		"past a use-by":                        {line(-1, nil), "withdraw_now", ptr(-1), "past its use by"},
		"past the hour by which it is over":    {line(0, hours("2026-11-25T09:59:59Z")), "withdraw_now", nil, "past its use by"},
		"hours left":                           {line(0, hours("2026-11-25T13:00:00Z")), "sell_today", nil, "no whole day left"},
		"its last day":                         {line(0, nil), "sell_today", ptr(0), "last day"},
		"past a best before":                   {line(-3, bestBefore), "sell_today", ptr(-3), "past its best before: taste first"},
		"past a best before within the use-by": {line(-1, shellOver), "sell_today", ptr(-1), "taste first"},
		"tomorrow":                             {line(1, nil), "sell_next", ptr(1), "tomorrow"},
		"the day after":                        {line(2, bestBefore), "sell_next", ptr(2), "2 days left"},
		"in good time":                         {line(3, nil), "in_good_time", ptr(3), "3 days left"},
	} {
		board := boardOf([]workshop.BoardStock{c.stock}, nil)
		groups := map[string][]workshop.BoardLine{
			"withdraw_now": board.WithdrawNow, "sell_today": board.SellToday, "sell_next": board.SellNext, "in_good_time": board.InGoodTime,
		}
		require.Len(t, groups[c.group], 1, name)
		got := groups[c.group][0]
		require.Equal(t, c.left, got.DaysLeft, name)
		require.Contains(t, got.Why, c.why, name)
		if c.stock.Dates.Date != nil {
			require.Equal(t, c.stock.Dates.Date.AddDays(-2), *got.SellBy, name)
		}
	}
}

func TestTheBoardIsOrderedByDateThenCode(t *testing.T) {
	t.Parallel()
	stock := []workshop.BoardStock{onBoard(10, 5, 1), onBoard(9, 5, 1), onBoard(2, 8, 1), onBoard(100, 4, 1)}
	board := boardOf(stock, nil)
	var order []events.Code
	for _, l := range board.InGoodTime {
		order = append(order, l.Code)
	}
	require.Equal(t, []events.Code{stock[3].Code, stock[1].Code, stock[0].Code, stock[2].Code}, order, "sequences as numbers")
}

// Held and past pieces, seconds, and other designs are no part of what the usual demand must clear.
func TestOnlyWhatMayBeSoldMustGo(t *testing.T) {
	t.Parallel()
	held, past, second, other := onBoard(1, 0, 10), onBoard(2, -1, 10), onBoard(3, 0, 10), onBoard(4, 0, 7)
	held.Held, second.Grade, other.Design = true, "second", "cube"
	stock := []workshop.BoardStock{held, past, second, other, onBoard(5, 1, 13)}
	got := everyGroup(boardOf(stock, twelveADay(28)))
	require.Equal(t, map[events.Code]int{held.Code: 0, past.Code: 0, second.Code: 0, other.Code: 7, stock[4].Code: 1}, got)
}

// A weekday's demand is the mean of the last four such days on which sales were known.
func TestDemandIsTheMeanOfTheLastFourSameWeekdays(t *testing.T) {
	t.Parallel()
	d := workshop.Demand{First: boardDay.AddDays(-33), Sold: map[civil.Day]int{}}
	for back, sold := range map[int]int{6: 10, 13: 11, 20: 12, 27: 14, 34: 1000} { // Thursdays; the last before any was known
		d.Sold[boardDay.AddDays(-back)] = sold
	}
	demand := map[string]workshop.Demand{"dome": d}
	for pieces, want := range map[int]int{11: 0, 12: 1, 13: 2} { // 47/4 = 11.75 are expected tomorrow
		stock := onBoard(1, 1, pieces)
		require.Equal(t, want, everyGroup(boardOf([]workshop.BoardStock{stock}, demand))[stock.Code])
	}
	d.First = boardDay.AddDays(-15) // two Thursdays known: (10 + 11) / 2
	demand["dome"] = d
	stock := onBoard(1, 1, 11)
	require.Equal(t, 1, everyGroup(boardOf([]workshop.BoardStock{stock}, demand))[stock.Code])
}

// On another day that is asked about, demand is known up to today all the same.
func TestTheBoardOfAnotherDay(t *testing.T) {
	t.Parallel()
	stock := []workshop.BoardStock{onBoard(1, 7, 10), onBoard(2, 8, 30), onBoard(3, 10, 40)}
	ahead := boardDay.AddDays(7)
	board := workshop.SortBoard(stock, twelveADay(28), ahead, at("2026-12-02T10:00:00Z"), boardDay, dublin)
	require.Equal(t, map[events.Code]int{stock[0].Code: 10, stock[1].Code: 30, stock[2].Code: 4}, everyGroup(board))
	require.Equal(t, ptr(1), board.SellToday[1].DaysLeft)
}

// usual is the expected demand of a day in exact numbers, in the contract's words: the mean of at most the last four
// same weekdays before today that are known.
func usual(d workshop.Demand, on, today civil.Day) *big.Rat {
	sum, n := int64(0), int64(0)
	for back := 1; back < 60 && n < 4; back++ {
		before := today.AddDays(-back)
		if before.Weekday() == on.Weekday() && !before.Before(d.First) {
			sum, n = sum+int64(d.Sold[before]), n+1
		}
	}
	if n == 0 {
		return new(big.Rat)
	}
	return big.NewRat(sum, n)
}

// clears plays the coming days: each day's usual demand takes of what is good that day, the earliest date first. It
// tells whether nothing is left past its date.
func clears(stock map[civil.Day]int64, d workshop.Demand, today civil.Day) bool {
	var dates []civil.Day
	left := map[civil.Day]*big.Rat{}
	for date, pieces := range stock {
		dates = append(dates, date)
		left[date] = new(big.Rat).SetInt64(pieces)
	}
	slices.SortFunc(dates, civil.Day.Compare)
	for n := 0; n < 30; n++ {
		now := today.AddDays(n)
		demand := new(big.Rat)
		if n > 0 {
			demand = usual(d, now, today)
		}
		for _, date := range dates {
			if date.Before(now) {
				continue
			}
			sold := left[date]
			if demand.Cmp(sold) < 0 {
				sold = demand
			}
			left[date] = new(big.Rat).Sub(left[date], sold)
			demand = new(big.Rat).Sub(demand, sold)
		}
		for _, date := range dates {
			if !date.After(now) && left[date].Sign() > 0 {
				return false
			}
		}
	}
	return true
}

// The board against a search, of what S − D says at once (the test of earliest-due-date order, Jackson 1955, from memory): the least number that has to go today, taken from the earliest dates, so that the usual
// demand clears the rest in time.
func TestTheBoardAgreesWithAPlayOfTheComingDays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		known := rapid.IntRange(0, 35).Draw(t, "days known")
		d := workshop.Demand{First: boardDay.AddDays(-known), Sold: map[civil.Day]int{}}
		for back := 1; back <= known; back++ {
			d.Sold[boardDay.AddDays(-back)] = rapid.SampledFrom([]int{0, 0, 1, 2, 3, 5, 8}).Draw(t, "sold")
		}
		if known == 0 {
			d = workshop.Demand{}
		}
		var stock []workshop.BoardStock
		for i := range rapid.IntRange(1, 6).Draw(t, "lines") {
			stock = append(stock, onBoard(i+1, rapid.IntRange(0, 10).Draw(t, "days"), rapid.IntRange(1, 15).Draw(t, "pieces")))
		}
		got := everyGroup(boardOf(stock, map[string]workshop.Demand{"dome": d}))

		slices.SortStableFunc(stock, func(a, b workshop.BoardStock) int { return a.Dates.Date.Compare(*b.Dates.Date) })
		for must := 0; ; must++ {
			rest, taken, want := map[civil.Day]int64{}, must, map[events.Code]int{}
			for _, s := range stock {
				goes := min(taken, s.Pieces)
				taken -= goes
				want[s.Code] = goes
				if known >= 7 || *s.Dates.Date == boardDay { // else what is good for longer is not looked at
					rest[*s.Dates.Date] += int64(s.Pieces - goes)
				}
			}
			if clears(rest, d, boardDay) {
				require.Equal(t, want, got)
				return
			}
		}
	})
}
