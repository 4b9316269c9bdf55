package web_test

import (
	"time"

	"firstout/api/web"
	"firstout/internal/civil"
)

// afternoon is a Wednesday in winter, when Dublin's clocks show UTC.
var afternoon = time.Date(2026, 11, 25, 14, 2, 0, 0, time.UTC)

func today(n int) *civil.Day {
	day := civil.DayOf(afternoon, time.UTC).AddDays(n)
	return &day
}

func left(n int) *int { return &n }

const (
	cautionLaw        = "Worked out from what was recorded: it shows no food to be safe."
	cautionUseBy      = "After its use-by date it may not be sold, given away or used."
	cautionBestBefore = "After its best-before date, taste first."
)

// dated is a line of a design with a use-by so many days from today.
func dated(code, name string, pieces, days int) web.Line {
	return web.Line{
		Code: code, Name: name, Pieces: pieces, UseBy: true, Date: today(days), DaysLeft: left(days),
		EndsBy: afternoon.AddDate(0, 0, days), Cautions: []string{cautionLaw, cautionUseBy},
		Contains: []string{"milk", "soybeans"}, MayContain: []string{"nuts:hazelnut"}, MadeWhereHandled: []string{"gluten:wheat"},
	}
}

// fullBoard has lines of every kind.
func fullBoard() web.Board {
	held, gone := dated("R261121-01-X", "Hazelnut square", 12, 6), dated("R261110-02-K", "Garden mint dome", 9, -1)
	held.Held = true
	tonight, slow := dated("R261111-01-4", "Blackcurrant & bay dome with a violet cocoa butter shell", 28, 0), dated("R261114-02-9", "Sea salt caramel square", 44, 3)
	tonight.MustGoToday, slow.MustGoToday = 28, 17
	old := dated("R261001-01-7", "Quay bar", 3, -2)
	old.UseBy, old.Cautions = false, []string{cautionLaw, cautionBestBefore}
	hours := dated("R261125-01-7", "Piped truffle", 5, 0)
	hours.Date, hours.DaysLeft, hours.EndsBy, hours.MustGoToday = nil, nil, afternoon.Add(150*time.Minute), 5
	second := dated("R261114-02-9", "Sea salt caramel square", 6, 3)
	second.Seconds = true
	sold := dated("R261120-01-D", "Blackcurrant & bay dome with a violet cocoa butter shell", 120, 9)
	sold.SellBy = today(7)
	far := dated("R261119-03-8", "Quay bar", 18, 60)
	far.UseBy, far.Cautions, far.Contains, far.MayContain = false, []string{cautionLaw, cautionBestBefore}, nil, nil
	unknown := dated("R261122-01-2", "Fig & almond", 20, 12)
	unknown.AllergensUnknown, unknown.Contains = true, []string{"nuts:almond"}
	return web.Board{
		Place:  web.Place{Slug: "counter", Name: "Counter", Site: "Shingle Lane"},
		Others: []web.Place{{Slug: "stall", Name: "Market stall", Site: "Harbour market"}},
		At:     afternoon, Zone: time.UTC, Cautions: []string{"Local food law and a qualified person decide what may be sold."},
		WithdrawNow: []web.Line{gone, held},
		SellToday:   []web.Line{old, hours, tonight, slow},
		SellNext:    []web.Line{dated("R261116-01-E", "Garden mint dome", 31, 1), dated("R261117-02-B", "Lemon & thyme", 22, 2)},
		InGoodTime:  []web.Line{second, sold, unknown, far},
	}
}
