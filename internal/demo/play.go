// Package demo plays three weeks of an invented seaside shop with a market stall into a book, over HTTP, as its
// people would have written them down, and then asks what the book is kept for. It knows nothing of how the book
// works: it has the address and a key.
package demo

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"
)

// Days is how many days the whole play goes back.
const Days = 21

// Play writes so many of the shop's days into the book at base, up to now, as the owner whose key is given. The book
// must run on the manual clock, standing at Start(now, days) or before. What it does is the same for the same now.
// Progress goes to out.
func Play(ctx context.Context, base, key string, now time.Time, days int, out io.Writer) error {
	zone, err := time.LoadLocation(zoneName)
	if err != nil {
		return fmt.Errorf("play the demo: %w", err)
	}
	p := &play{
		client: &client{base: base, key: key, http: &http.Client{Timeout: time.Minute}},
		random: rand.New(rand.NewPCG(7, 21)), zone: zone, now: now, start: Start(now, days),
	}
	if err := p.define(ctx); err != nil {
		return err
	}
	for n := range days + 1 {
		day := p.start.AddDate(0, 0, n)
		if err := p.day(ctx, day); err != nil {
			return fmt.Errorf("%s: %w", day.Format("2 January"), err)
		}
		fmt.Fprintf(out, "\r  %s  %d requests", day.Format("Mon 2 Jan"), p.sent)
	}
	fmt.Fprintln(out)
	return p.clock(ctx, now)
}

// Start is when a play of so many days begins.
func Start(now time.Time, days int) time.Time { return now.AddDate(0, 0, -days) }

type play struct {
	*client
	random *rand.Rand
	zone   *time.Location
	now    time.Time
	start  time.Time
	runs   []turnedOut // waiting for their release
	lots   int         // deliveries so far: makes the suppliers' lot codes
	sales  int         // makes the till's references
	read   time.Time   // until when the cold room's logger was read
}

type turnedOut struct {
	code   string
	pieces int
}

// task is something done at a time of the day.
type task struct {
	at time.Time
	do func(context.Context) error
}

// day does a day's tasks in the order of their times, and leaves out what has not come yet.
func (p *play) day(ctx context.Context, day time.Time) error {
	year, month, date := day.In(p.zone).Date()
	at := func(hour, minute int) time.Time { return time.Date(year, month, date, hour, minute, 0, 0, p.zone) }
	tasks := []task{
		{at(7, 30), p.receive},
		{at(7, 50), p.warmUp},
		{at(8, 20), p.withdraw},
		{at(8, 30), p.release},
		{at(9, 0), func(ctx context.Context) error { return p.make(ctx, at(9, 0).Weekday()) }},
		{at(18, 5), func(ctx context.Context) error { return p.tidy(ctx, at(18, 5)) }},
	}
	if day.In(p.zone).Weekday() == time.Monday {
		tasks = append(tasks, task{at(18, 30), p.cleanTanks})
	} else {
		tasks = append(tasks, p.serving(at)...)
	}
	tasks = append(tasks, p.unusual(day, at)...)
	slices.SortStableFunc(tasks, func(a, b task) int { return a.at.Compare(b.at) })
	for _, t := range tasks {
		if t.at.After(p.now) || t.at.Before(p.start) {
			continue
		}
		if err := p.clock(ctx, t.at); err != nil {
			return err
		}
		if err := t.do(ctx); err != nil {
			return err
		}
	}
	return nil
}

// supply is what the shop keeps in stock of an ingredient, and how it comes.
type supply struct {
	ingredient, supplier, place string
	least, delivered            float64 // grams
	kind                        string  // of the date mark
	keeps                       int     // days
	price                       int     // minor units
	warmest                     float64 // °C at delivery; 0: not measured
}

var supplies = []supply{
	{"cream-35", "meadow-dairy", coldRoom, 1400, 4000, "use_by", 9, 1960, 3.9},
	{"butter", "meadow-dairy", coldRoom, 400, 1500, "best_before", 40, 1350, 4.1},
	{"couverture-dark-60", "cocoa-quay", store, 9000, 20000, "best_before_end", 300, 21800, 0},
	{"couverture-milk-34", "cocoa-quay", store, 9000, 20000, "best_before_end", 280, 20600, 0},
	{"blackcurrant-puree", "orchard-row", coldRoom, 800, 2000, "use_by", 20, 2240, 4.2},
	{"invert-sugar", "dry-goods", store, 500, 3000, "best_before", 200, 1180, 0},
	{"sugar", "dry-goods", store, 800, 5000, "best_before_end", 500, 640, 0},
	{"sea-salt", "dry-goods", store, 60, 500, "none", 0, 390, 0},
	{"hazelnut-praline", "dry-goods", store, 1500, 5000, "best_before", 120, 9400, 0},
	{"mint", "orchard-row", coldRoom, 60, 150, "none", 0, 410, 4.5},
	{"violet-colour", "dry-goods", store, 60, 250, "best_before", 250, 2650, 0},
}

// receive orders what is low: a pick tells what would be missing.
func (p *play) receive(ctx context.Context) error {
	for _, s := range supplies {
		var pick struct {
			Missing float64 `json:"missing"`
		}
		query := url.Values{"ingredient": {s.ingredient}, "quantity_g": {strconv.FormatFloat(s.least, 'f', -1, 64)}}
		if err := p.get(ctx, "/v1/picks?"+query.Encode(), &pick); err != nil {
			return err
		}
		if pick.Missing == 0 {
			continue
		}
		if err := p.deliver(ctx, s, s.warmest, true); err != nil {
			return err
		}
	}
	return nil
}

func (p *play) deliver(ctx context.Context, s supply, temperature float64, coded bool) error {
	p.lots++
	mark := object{"kind": s.kind}
	if s.kind != "none" {
		today, err := p.today(ctx)
		if err != nil {
			return err
		}
		mark["date"] = today.AddDate(0, 0, s.keeps).Format(time.DateOnly)
	}
	body := object{
		"ingredient": s.ingredient, "supplier": s.supplier, "quantity_g": s.delivered, "date_mark": mark,
		"price_minor": s.price, "delivery_note": fmt.Sprintf("DN-%04d", 1100+p.lots), "place": s.place,
	}
	if coded {
		body["supplier_lot"] = fmt.Sprintf("%s-%03d", map[string]string{"meadow-dairy": "MD", "cocoa-quay": "CQ", "orchard-row": "OR", "dry-goods": "DG"}[s.supplier], 400+p.lots)
	}
	if temperature != 0 {
		body["received_temperature_c"] = temperature
	}
	return p.post(ctx, "/v1/lots", body, nil)
}

// today is the book's local date, as a time of that day.
func (p *play) today(ctx context.Context) (time.Time, error) {
	var board struct {
		Date string `json:"date"`
	}
	if err := p.get(ctx, "/v1/board?place="+counter, &board); err != nil {
		return time.Time{}, err
	}
	day, err := time.Parse(time.DateOnly, board.Date)
	if err != nil {
		return time.Time{}, fmt.Errorf("the board's date: %w", err)
	}
	return day, nil
}

// warmUp tops the tanks up.
func (p *play) warmUp(ctx context.Context) error {
	for _, tank := range []struct{ vat, ingredient string }{{"vat-dark", "couverture-dark-60"}, {"vat-milk", "couverture-milk-34"}} {
		var vat struct {
			Charge *struct {
				Quantity float64 `json:"quantity_g"`
			} `json:"charge"`
		}
		if err := p.get(ctx, "/v1/vats/"+tank.vat, &vat); err != nil {
			return err
		}
		held := 0.0
		if vat.Charge != nil {
			held = vat.Charge.Quantity
		}
		if held >= 7000 {
			continue
		}
		var pick struct {
			Lines []struct {
				Code     string  `json:"source"`
				Quantity float64 `json:"quantity_g"`
			} `json:"lines"`
		}
		if err := p.get(ctx, fmt.Sprintf("/v1/picks?ingredient=%s&quantity_g=%d", tank.ingredient, 8000), &pick); err != nil {
			return err
		}
		var inputs []object
		for _, l := range pick.Lines {
			purpose := "top_up"
			if held == 0 {
				purpose = "melt"
			}
			inputs = append(inputs, object{"source": l.Code, "quantity_g": l.Quantity, "purpose": purpose})
		}
		if err := p.post(ctx, "/v1/vats/"+tank.vat+"/melts", object{"inputs": inputs}, nil); err != nil {
			return err
		}
	}
	return nil
}

type boardLine struct {
	Run         string `json:"run"`
	Design      string `json:"design"`
	Grade       string `json:"grade"`
	Pieces      int    `json:"pieces"`
	MustGoToday int    `json:"must_go_today"`
	Held        bool   `json:"held"`
	Why         string `json:"why"`
	UseBy       struct {
		Date string `json:"date"`
	} `json:"use_by"`
}

type board struct {
	Date   string `json:"date"`
	Groups struct {
		WithdrawNow []boardLine `json:"withdraw_now"`
		SellToday   []boardLine `json:"sell_today"`
		SellNext    []boardLine `json:"sell_next"`
		InGoodTime  []boardLine `json:"in_good_time"`
	} `json:"groups"`
}

func (b board) onOffer() []boardLine {
	return slices.Concat(b.Groups.SellToday, b.Groups.SellNext, b.Groups.InGoodTime)
}

func (p *play) board(ctx context.Context, place string) (board, error) {
	var b board
	err := p.get(ctx, "/v1/board?place="+place, &b)
	return b, err
}

// withdraw takes past-date pieces off the counter, as the board says.
func (p *play) withdraw(ctx context.Context) error {
	b, err := p.board(ctx, counter)
	if err != nil {
		return err
	}
	for _, l := range b.Groups.WithdrawNow {
		if l.Held {
			continue
		}
		if err := p.discard(ctx, counter, l.Run, l.Pieces, "past_use_by", "taken off the counter"); err != nil {
			return err
		}
	}
	return nil
}

func (p *play) discard(ctx context.Context, place, run string, pieces int, reason, note string) error {
	return p.post(ctx, "/v1/discards", object{
		"place": place, "lines": []object{{"code": run, "pieces": pieces}}, "reason": reason, "destination": "composting", "note": note,
	}, nil)
}

// release lets out what was turned out the day before. What cannot be released waits for the owner.
func (p *play) release(ctx context.Context) error {
	waiting := p.runs
	p.runs = nil
	for _, r := range waiting {
		err := p.post(ctx, "/v1/runs/"+r.code+"/releases", object{"pieces": r.pieces, "place": counter}, nil)
		var refused *problem
		if errors.As(err, &refused) && refused.Status == http.StatusConflict {
			p.runs = append(p.runs, r)
			continue
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// recipe is what a design is made of at the bench, and on which days of the week.
type recipe struct {
	design, formula, straight, vat, mould string
	moulds                                int
	scale                                 float64
	temperature                           float64
	colour                                bool
	days                                  []time.Weekday
}

var recipes = []recipe{
	{"blackcurrant-dome", "blackcurrant-bay", "", "vat-dark", "dome-24", 5, 0.7, 31.8, true, []time.Weekday{time.Tuesday, time.Thursday, time.Saturday}},
	{"caramel-square", "sea-salt-caramel", "", "vat-milk", "square-28", 5, 0.9, 30.6, false, []time.Weekday{time.Tuesday, time.Wednesday, time.Friday, time.Sunday}},
	{"mint-dome", "garden-mint", "", "vat-dark", "dome-24", 7, 1.2, 32.0, false, []time.Weekday{time.Wednesday, time.Friday}},
	{"hazelnut-square", "", "hazelnut-praline", "vat-milk", "square-28", 4, 0, 30.9, false, []time.Weekday{time.Thursday, time.Sunday}},
	{"quay-bar", "", "", "vat-milk", "bar-6", 3, 0, 30.5, false, []time.Weekday{time.Saturday}},
}

// make moulds the day's designs, from the filling to the pieces turned out.
func (p *play) make(ctx context.Context, weekday time.Weekday) error {
	for _, r := range recipes {
		if !slices.Contains(r.days, weekday) {
			continue
		}
		if err := p.mould(ctx, r); err != nil {
			return fmt.Errorf("make %s: %w", r.design, err)
		}
	}
	return nil
}

func (p *play) mould(ctx context.Context, r recipe) error {
	cavities := map[string]int{"dome-24": 24, "square-28": 28, "bar-6": 6}[r.mould] * r.moulds
	body := object{
		"design": r.design, "mould": r.mould, "moulds": r.moulds, "place": workroom,
		"casting": object{"vat": r.vat, "temperature_c": r.temperature},
	}
	if r.formula != "" {
		ganache, err := p.ganache(ctx, r)
		if err != nil {
			return err
		}
		body["filling"] = []object{{"source": ganache, "temperature_c": 30.4}}
	}
	if r.straight != "" {
		lot, err := p.pick(ctx, r.straight, 6*float64(cavities))
		if err != nil {
			return err
		}
		body["filling"] = []object{{"source": lot}}
	}
	if r.colour {
		lot, err := p.pick(ctx, "violet-colour", 0.1*float64(cavities))
		if err != nil {
			return err
		}
		body["decorations"] = []object{{"stage": "before_casting", "inputs": []object{{"source": lot}}}}
	}
	if r.formula != "" || r.straight != "" {
		body["capping"] = object{"vat": r.vat, "temperature_c": r.temperature}
	}
	broken := p.random.IntN(4)
	good := cavities - broken
	body["turned_out"] = object{"good": good, "broken": broken, "broken_to": "bin"}
	var run struct {
		Code string `json:"code"`
	}
	if err := p.post(ctx, "/v1/runs", body, &run); err != nil {
		return err
	}
	p.runs = append(p.runs, turnedOut{code: run.Code, pieces: good})
	return nil
}

func (p *play) ganache(ctx context.Context, r recipe) (string, error) {
	var made struct {
		Code string `json:"code"`
	}
	err := p.post(ctx, "/v1/ganaches", object{
		"formula": r.formula, "pick": "fefo", "scale": r.scale, "vat": r.vat, "heat_step": object{"boiled": true}, "place": coldRoom,
	}, &made)
	return made.Code, err
}

// pick is one lot that has as much as is wanted.
func (p *play) pick(ctx context.Context, ingredient string, grams float64) (string, error) {
	var pick struct {
		Lines []struct {
			Code     string  `json:"source"`
			Quantity float64 `json:"quantity_g"`
		} `json:"lines"`
	}
	if err := p.get(ctx, fmt.Sprintf("/v1/picks?ingredient=%s&quantity_g=%g", ingredient, grams), &pick); err != nil {
		return "", err
	}
	for _, l := range pick.Lines {
		if l.Quantity >= grams {
			return l.Code, nil
		}
	}
	// The last opened has too little left: what is opened next has enough.
	var stock struct {
		Lines []struct {
			Code       string  `json:"code"`
			Ingredient string  `json:"ingredient"`
			Quantity   float64 `json:"quantity_g"`
			Held       bool    `json:"held"`
		} `json:"lines"`
	}
	if err := p.get(ctx, "/v1/stock?kind=lots&place="+store, &stock); err != nil {
		return "", err
	}
	for _, l := range stock.Lines {
		if l.Ingredient == ingredient && l.Quantity >= grams && !l.Held {
			return l.Code, nil
		}
	}
	return "", fmt.Errorf("no lot of %s has %g g", ingredient, grams)
}

// serving is a day at the counter, and on Saturdays at the market.
func (p *play) serving(at func(hour, minute int) time.Time) []task {
	var tasks []task
	busy := 10 // customers an hour
	if w := at(12, 0).Weekday(); w == time.Saturday || w == time.Sunday {
		busy = 16
	}
	for hour := 10; hour < 18; hour++ {
		for range busy/2 + p.random.IntN(busy/2) {
			tasks = append(tasks, task{at(hour, p.random.IntN(60)), func(ctx context.Context) error { return p.sell(ctx, counter, "counter") }})
		}
	}
	tasks = append(tasks, task{at(11, 15), p.taster})
	if at(12, 0).Weekday() == time.Saturday {
		tasks = append(tasks, task{at(8, 45), p.toMarket}, task{at(16, 30), p.fromMarket})
		for range 30 {
			tasks = append(tasks, task{at(9+p.random.IntN(7), p.random.IntN(60)), func(ctx context.Context) error { return p.sell(ctx, stall, "market") }})
		}
	}
	if at(12, 0).Weekday() == time.Friday {
		tasks = append(tasks, task{at(15, 0), p.sellToCafe})
	}
	return tasks
}

var choices = []string{"blackcurrant-dome", "caramel-square", "mint-dome", "hazelnut-square", "caramel-square", "blackcurrant-dome", "quay-bar"}

func (p *play) sell(ctx context.Context, place, channel string) error {
	p.sales++
	var lines []object
	for _, n := range p.random.Perm(len(choices))[:1+p.random.IntN(2)] {
		pieces := 1 + p.random.IntN(6)
		if choices[n] == "quay-bar" {
			pieces = 1
		}
		lines = append(lines, object{"design": choices[n], "pieces": pieces})
	}
	err := p.post(ctx, "/v1/sales", object{
		"place": place, "lines": lines, "channel": channel, "reference": fmt.Sprintf("till-%06d", p.sales),
	}, nil)
	return soldOut(err)
}

// soldOut passes over a refusal for want of pieces: the customer takes nothing.
func soldOut(err error) error {
	var refused *problem
	if errors.As(err, &refused) && refused.Status == http.StatusConflict {
		return nil
	}
	return err
}

func (p *play) sellToCafe(ctx context.Context) error {
	p.sales++
	return soldOut(p.post(ctx, "/v1/sales", object{
		"place": counter, "lines": []object{{"design": "caramel-square", "pieces": 40, "price_minor": 4800}}, "channel": "trade",
		"buyer": "pier-cafe", "reference": fmt.Sprintf("till-%06d", p.sales),
	}, nil))
}

func (p *play) taster(ctx context.Context) error {
	return soldOut(p.post(ctx, "/v1/tasters", object{
		"place": counter, "lines": []object{{"design": "mint-dome", "pieces": 4}}, "occasion": "morning plate",
	}, nil))
}

// toMarket carries a part of what is on the counter to the stall.
func (p *play) toMarket(ctx context.Context) error {
	b, err := p.board(ctx, counter)
	if err != nil {
		return err
	}
	return p.carry(ctx, counter, stall, b.onOffer(), 30)
}

func (p *play) fromMarket(ctx context.Context) error {
	b, err := p.board(ctx, stall)
	if err != nil {
		return err
	}
	return p.carry(ctx, stall, counter, b.onOffer(), 1000)
}

func (p *play) carry(ctx context.Context, from, to string, from0 []boardLine, most int) error {
	var lines []object
	for _, l := range from0 {
		lines = append(lines, object{"code": l.Run, "pieces": min(most, l.Pieces)})
	}
	if len(lines) == 0 {
		return nil
	}
	return p.post(ctx, "/v1/moves", object{"from": from, "to": to, "lines": lines}, nil)
}

// tidy closes the day: the cold room's logger is read, for all the time since it was read last, a piece is dropped, and
// one run is counted.
func (p *play) tidy(ctx context.Context, now time.Time) error {
	warmest := 3.2 + p.random.Float64()
	check := object{"subject": coldRoom, "kind": "temperature", "value": float64(int(warmest*10)) / 10, "method": "logger"}
	if !p.read.IsZero() {
		check["from"] = p.read
	}
	if err := p.post(ctx, "/v1/checks", check, nil); err != nil {
		return err
	}
	p.read = now
	b, err := p.board(ctx, counter)
	if err != nil || len(b.onOffer()) == 0 {
		return err
	}
	lines := b.onOffer()
	line := slices.MaxFunc(lines, func(a, b boardLine) int { return cmp.Compare(a.Pieces, b.Pieces) })
	if line.Pieces < 4 {
		return nil
	}
	if p.random.IntN(3) == 0 {
		if err := p.discard(ctx, counter, line.Run, 1, "damaged", "dropped"); err != nil {
			return err
		}
		line.Pieces--
	}
	if p.random.IntN(4) == 0 {
		return p.post(ctx, "/v1/counts", object{
			"place": counter, "lines": []object{{"code": line.Run, "pieces": line.Pieces - 1}}, "reason": "evening count",
		}, nil)
	}
	return nil
}

// cleanTanks empties and cleans a tank on the day off: the dark one in the second week.
func (p *play) cleanTanks(ctx context.Context) error {
	var vat struct {
		Charge *object `json:"charge"`
	}
	if err := p.get(ctx, "/v1/vats/vat-dark", &vat); err != nil {
		return err
	}
	today, err := p.today(ctx)
	if err != nil {
		return err
	}
	if vat.Charge == nil || today.Sub(p.start) < 6*24*time.Hour || today.Sub(p.start) > 14*24*time.Hour {
		return nil
	}
	return p.post(ctx, "/v1/vats/vat-dark/emptyings", object{"cleaned": true, "rest": "block", "place": store}, nil)
}

// unusual is what does not happen every day: a delivery too warm, one without its lot code, and a supplier's call.
func (p *play) unusual(day time.Time, at func(hour, minute int) time.Time) []task {
	n := int(day.Sub(p.start).Hours()/24 + 0.5)
	cream := supplies[0]
	switch n {
	case 5:
		return []task{{at(7, 40), func(ctx context.Context) error { return p.deliver(ctx, cream, 9.4, true) }}}
	case 9:
		return []task{{at(7, 40), func(ctx context.Context) error { return p.deliver(ctx, supplies[5], 0, false) }}}
	case 18:
		return []task{{at(10, 5), func(ctx context.Context) error {
			return p.supplierCalls(ctx, coldRoom, "cream-35", "the dairy called: a swab is being looked at", "the dairy's swab was clear")
		}}}
	case int(p.now.Sub(p.start).Hours()/24 - 0.5): // yesterday: its answer is not in yet
		return []task{{at(16, 5), func(ctx context.Context) error {
			return p.supplierCalls(ctx, store, "hazelnut-praline", "the supplier called: another nut may be in this lot", "")
		}}}
	}
	return nil
}

// supplierCalls holds the oldest lot of an ingredient that is left with everything made of it, and lifts the hold if the answer is
// in.
func (p *play) supplierCalls(ctx context.Context, place, ingredient, call, answer string) error {
	var stock struct {
		Lines []struct {
			Code       string `json:"code"`
			Ingredient string `json:"ingredient"`
			Held       bool   `json:"held"`
		} `json:"lines"`
	}
	if err := p.get(ctx, "/v1/stock?kind=lots&place="+place, &stock); err != nil {
		return err
	}
	for _, l := range stock.Lines {
		if l.Ingredient != ingredient || l.Held {
			continue
		}
		var hold struct {
			ID string `json:"id"`
		}
		if err := p.post(ctx, "/v1/holds", object{"code": l.Code, "downstream": true, "reason": call}, &hold); err != nil || answer == "" {
			return err
		}
		return p.post(ctx, "/v1/holds/"+hold.ID+"/lifts", object{"reason": answer}, nil)
	}
	return nil
}
