package oracle

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"
)

// Look says everything that both books can be asked: what stands where, what it is made of, until when it keeps, what
// is held, what the boards and picks are.
func (m *Model) Look() Facts {
	clear(m.parts)
	var f Facts
	m.sayStock(&f)
	for _, code := range m.Order {
		t := m.Things[code]
		switch code[0] {
		case 'L':
			f.Say("date "+code, "%s", t.Recorded)
		case 'C':
			m.sayMix(&f, code, m.chargeAt(code, ever))
		case 'G':
			f.Say("date "+code, "%s", t.Recorded)
			m.sayMix(&f, code, m.mixOf(code))
		case 'R':
			f.Say("date "+code, "%s", t.Recorded)
			f.Say("run "+code, "%s, good %d, released %d", t.State, t.Good, t.Released)
			m.sayMix(&f, code, m.mixOf(code))
			contains, may, unknown := m.allergensOf(t)
			SayAllergens(&f, code, contains, may, unknown)
		}
	}
	m.sayCare(&f)
	for _, p := range Places {
		if p.Sells {
			m.sayBoard(&f, p)
			for _, d := range Designs {
				m.sayPick(&f, p.Slug, d.Slug, 0)
				m.sayPick(&f, p.Slug, d.Slug, 3)
			}
		}
	}
	return f
}

// SayAllergens puts allergens as they are compared.
func SayAllergens(f *Facts, code string, contains, may []string, unknown bool) {
	f.Say("allergens "+code, "contains %s; may contain %s; unknown %t", strings.Join(contains, ", "), strings.Join(may, ", "), unknown)
}

// SayStock puts a line of stock as it is compared.
func SayStock(f *Facts, code, place string, released bool, amount int64, held bool, date string) {
	gate := ""
	if !released {
		gate = ", not released"
	}
	f.Say(fmt.Sprintf("stock %s %s%s", place, code, gate), "%d, held %t, date %s", amount, held, date)
}

func (m *Model) sayStock(f *Facts) {
	for _, code := range m.Order {
		for _, k := range m.lines(code) {
			if amount := m.onHand(k); amount != 0 {
				SayStock(f, code, k.place, k.released, amount, m.held(code), m.dateOf(code).String())
			}
		}
	}
}

// dateOf is the date of a thing; chocolate in a vat has none.
func (m *Model) dateOf(code string) Day {
	if code[0] == 'C' {
		return NoDay
	}
	return m.Things[code].Recorded.Date
}

// Rounding to whole milligrams at each draw may move a lot's mass by one each time.
const slackMg = 1

func (m *Model) sayMix(f *Facts, code string, x mix) {
	total := x.total()
	for lot, mass := range x.mass {
		share := 0.0
		if total > 0 {
			share = mass / total
		}
		*f = append(*f, Fact{Name: "mix " + code + " " + lot, Text: m.certainty(mass, total), Number: share, Slack: m.slack()/max(total, 1) + 1e-6})
	}
}

// slack is how many milligrams of a lot rounding may have moved.
func (m *Model) slack() float64 { return slackMg * float64(len(m.flows)+1) }

// How certain it is that a lot is in a thing. NearTrace is that of one so near the trace that rounding decides.
const (
	Contains   = "contains"
	MayContain = "may_contain"
	NearTrace  = "at the trace"
)

// AtTrace says whether a lot is so near the trace in a filling or a run that rounding decides whether its allergens and its date
// are theirs.
func (m *Model) AtTrace() bool {
	return slices.ContainsFunc(m.Order, func(code string) bool {
		if code[0] != 'G' && code[0] != 'R' {
			return false
		}
		x := m.mixOf(code)
		total := x.total()
		for lot, mass := range x.mass {
			if lot != unknownLot && m.certainty(mass, total) == NearTrace {
				return true
			}
		}
		return false
	})
}

func (m *Model) certainty(mass, total float64) string {
	switch off := mass*traceShare - total; {
	case mass > 0 && max(off, -off) < m.slack()*traceShare:
		return NearTrace
	case mass > dust && off >= 0:
		return Contains
	}
	return MayContain
}

func (m *Model) sayCare(f *Facts) {
	for i, h := range m.Holds {
		f.Say(fmt.Sprintf("hold %03d", i+1), "of %s, lifted %t, takes in %v", h.code, h.lifted, SortedCodes(h.codes))
	}
	for i, d := range m.Deviations {
		f.Say(fmt.Sprintf("deviation %03d", i+1), "of %s, %s, %s, decided %q", d.code, d.concern, d.rule, d.decision)
	}
}

// A BoardLine is a line of a board as it is compared.
type BoardLine struct {
	Group, Code    string
	Pieces, MustGo int64
	DaysLeft       int
	Date           string
	endsBy         time.Time
	held, past     bool
}

// SayBoard puts a board as it is compared: lines in their order.
func SayBoard(f *Facts, place string, lines []BoardLine) {
	for i, l := range lines {
		f.Say(fmt.Sprintf("board %s %02d", place, i), "%s %s %d pieces, %d must go, %d days left, %s", l.Group, l.Code, l.Pieces, l.MustGo, l.DaysLeft, l.Date)
	}
}

// Groups are the board's, in their order.
var Groups = []string{"withdraw_now", "sell_today", "sell_next", "in_good_time"}

func (m *Model) sayBoard(f *Facts, p Place) {
	today := DayOf(m.Now, m.zone(p.Site))
	var lines []BoardLine
	for _, d := range Designs {
		var of []*BoardLine
		for _, k := range m.of(d.Slug, p.Slug) {
			if pieces := m.onHand(k); k.released && pieces > 0 {
				dates := m.Things[k.code].Recorded
				of = append(of, &BoardLine{
					Code: k.code, Pieces: pieces, DaysLeft: int(dates.Date - today), Date: dates.Date.String(), endsBy: dates.endsBy,
					held: m.held(k.code), past: m.past(k.code, m.Now),
				})
			}
		}
		m.mustGo(of, d.Slug, p, today)
		for _, l := range of {
			l.Group = groupOf(*l)
			lines = append(lines, *l)
		}
	}
	slices.SortStableFunc(lines, func(a, b BoardLine) int {
		return cmp.Or(
			cmp.Compare(slices.Index(Groups, a.Group), slices.Index(Groups, b.Group)), a.endsBy.Compare(b.endsBy), compareCodes(a.Code, b.Code),
		)
	})
	SayBoard(f, p.Slug, lines)
}

func groupOf(l BoardLine) string {
	switch {
	case l.held || l.past:
		return Groups[0]
	case l.DaysLeft <= 0 || l.MustGo > 0:
		return Groups[1]
	case l.DaysLeft <= 2:
		return Groups[2]
	}
	return Groups[3]
}

// mustGo hands what usual demand will not clear in time to the earliest dates.
func (m *Model) mustGo(lines []*BoardLine, design string, p Place, today Day) {
	first, sold := m.salesOf(design, p.Slug)
	known := first != NoDay && today-first >= 7
	most := int64(0)
	for _, upTo := range lines {
		day := Day(upTo.DaysLeft) + today
		if upTo.held || upTo.past || !known && day > today {
			continue
		}
		over := new(big.Rat)
		for _, l := range lines {
			if !l.held && !l.past && l.DaysLeft <= upTo.DaysLeft {
				over.Add(over, new(big.Rat).SetInt64(l.Pieces))
			}
		}
		for d := today + 1; d <= day; d++ {
			over.Sub(over, expected(d, first, today, sold))
		}
		most = max(most, ceil(over))
	}
	for _, l := range lines {
		if !l.held && !l.past {
			l.MustGo = min(most, l.Pieces)
			most -= l.MustGo
		}
	}
}

// expected is the mean of the last four same weekdays before today that are known.
func expected(day, first, today Day, sold map[Day]int64) *big.Rat {
	sum, n := int64(0), int64(0)
	for d := day; d >= first && n < 4; d -= 7 {
		if d < today {
			sum += sold[d]
			n++
		}
	}
	if n == 0 {
		return new(big.Rat)
	}
	return big.NewRat(sum, n)
}

func ceil(r *big.Rat) int64 {
	whole, rest := new(big.Int).DivMod(r.Num(), r.Denom(), new(big.Int))
	if rest.Sign() > 0 {
		return whole.Int64() + 1
	}
	return whole.Int64()
}

// salesOf is what a place sold of a design on each day, and the first such day.
func (m *Model) salesOf(design, place string) (first Day, sold map[Day]int64) {
	first, sold = NoDay, map[Day]int64{}
	for _, v := range m.moves {
		if v.cause == "sold" && v.key.place == place && m.Things[v.key.code].Name == design {
			sold[v.day] -= v.delta
			if first == NoDay || v.day < first {
				first = v.day
			}
		}
	}
	return first, sold
}

// PickWanted is how many pieces the picks ask for.
const PickWanted = 30

// SayPick puts a pick as it is compared.
func SayPick(f *Facts, place, design string, daysLeft int, lines []string, missing int64) {
	f.Say(fmt.Sprintf("pick %s %s %d", place, design, daysLeft), "%s; missing %d", strings.Join(lines, ", "), missing)
}

func (m *Model) sayPick(f *Facts, place, design string, daysLeft int) {
	wanted := int64(PickWanted)
	var lines []string
	for _, k := range m.of(design, place) {
		today := DayOf(m.Now, m.zone(m.Things[k.code].Site))
		take := min(wanted, m.onHand(k))
		if !k.released || take <= 0 || m.held(k.code) || m.past(k.code, m.Now) || daysLeft > 0 && int(m.dateOf(k.code)-today) < daysLeft {
			continue
		}
		wanted -= take
		lines = append(lines, fmt.Sprintf("%s %d", k.code, take))
	}
	SayPick(f, place, design, daysLeft, lines, wanted)
}
