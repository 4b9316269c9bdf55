package oracle_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"

	"firstout/internal/oracle"
)

// start is the moment at which every history begins: a Wednesday afternoon in Dublin, the small hours of the next day
// in Auckland.
var start = time.Date(2026, time.November, 25, 14, 0, 0, 0, time.UTC)

// A teller makes up a history: what people might write down next, given what the book says stands where. Most of it is
// sensible, some of it is wrong in every way there is.
type teller struct {
	*rand.Rand
	m    *oracle.Model
	late int // in a hundred commands, those that are dated earlier
	last oracle.Command
}

// seed draws an even chance from rapid, whose own numbers lean to the small ones.
var seed = rapid.Custom(func(t *rapid.T) uint64 {
	n := uint64(0)
	for _, bit := range rapid.SliceOfN(rapid.Bool(), 32, 32).Draw(t, "bits") {
		n <<= 1
		if bit {
			n++
		}
	}
	return n
})

func (g *teller) in(percent int) bool { return g.IntN(100) < percent }

func oneOf[T any](g *teller, all []T) T { return all[g.IntN(len(all))] }

// morning is what a shop has at the start of a history.
func morning() []oracle.Command {
	lot := func(name, place string, grams int64, kind string, mark oracle.Day) oracle.Command {
		return oracle.Command{Kind: oracle.Receive, Name: name, Place: place, Amount: grams * oracle.Gram, MarkKind: kind, Mark: mark, SupplierLot: "SL-1"}
	}
	december := func(day int) oracle.Day { return oracle.Date(2026, time.December, day) }
	return []oracle.Command{
		lot("couverture-dark", "workshop", 20000, "best_before", december(20)),
		lot("couverture-milk", "workshop", 10000, "best_before", december(28)),
		lot("cream-35", "cold-room", 6000, "use_by", december(4)),
		lot("invert-sugar", "workshop", 5000, "best_before", december(30)),
		lot("couverture-dark", "back-room", 10000, "best_before", december(15)),
	}
}

// next makes up a command.
func (g *teller) next() oracle.Command {
	kinds := []struct {
		weight int
		make   func() (oracle.Command, bool)
	}{
		{14, g.clock},
		{8, g.receive},
		{3, g.open},
		{7, g.melt},
		{1, g.empty},
		{8, g.ganache},
		{9, g.run},
		{5, g.work},
		{9, g.release},
		{17, g.sell},
		{3, g.give},
		{4, g.discard},
		{5, g.move},
		{5, g.count},
		{2, g.hold},
		{2, g.lift},
		{2, g.check},
		{2, g.decide},
	}
	total := 0
	for _, k := range kinds {
		total += k.weight
	}
	for {
		n := g.IntN(total)
		for _, k := range kinds {
			if n -= k.weight; n >= 0 {
				continue
			}
			if c, made := k.make(); made {
				g.last = g.spoilt(g.dated(c))
				return g.last
			}
			break
		}
	}
}

// dated gives a command a time of its own, and sometimes says that it is done already.
func (g *teller) dated(c oracle.Command) oracle.Command {
	if c.Kind == oracle.Clock {
		return c
	}
	now := g.m.Now
	if g.in(g.late) && c.Kind != oracle.Empty {
		c.At = now.Add(-g.ago()).Truncate(time.Second)
	}
	switch g.IntN(60) {
	case 0:
		c.At = now.Add(5*time.Minute + time.Duration(1+g.IntN(300))*time.Second).Truncate(time.Second)
	case 1:
		c.At = now.AddDate(0, 0, -40).Truncate(time.Second)
		c.Maker = c.Kind != oracle.Lift && c.Kind != oracle.Decide
	}
	recordable := []string{oracle.Open, oracle.Melt, oracle.Ganache, oracle.Run, oracle.Work, oracle.Release, oracle.Sell, oracle.Give, oracle.Discard, oracle.Move}
	if c.Kind == oracle.Run && g.in(15) {
		g.stepByStep(&c)
	}
	c.Done = g.in(6) && slices.Contains(recordable, c.Kind)
	return c
}

// stepByStep gives the steps of a run times of their own, mostly one after the other.
func (g *teller) stepByStep(c *oracle.Command) {
	at := c.At
	if at.IsZero() {
		at = g.m.Now
	}
	at = at.Add(-time.Duration(g.IntN(180)) * time.Minute)
	next := func() time.Time {
		at = at.Add(time.Duration(g.IntN(40)-3) * time.Minute)
		return at.Truncate(time.Second)
	}
	step := func(s *oracle.Step) *oracle.Step {
		if s == nil {
			return nil
		}
		own := *s
		own.At = next()
		return &own
	}
	c.Cast = step(c.Cast)
	for i := range c.Fills {
		c.Fills[i].At = next()
	}
	c.Cap = step(c.Cap)
	if c.Out != nil && g.in(50) {
		c.Out.At = next()
	}
}

// ago is by minutes to days.
func (g *teller) ago() time.Duration {
	switch g.IntN(3) {
	case 0:
		return time.Duration(1+g.IntN(90)) * time.Minute
	case 1:
		return time.Duration(1+g.IntN(20)) * time.Hour
	default:
		return time.Duration(1+g.IntN(96)) * time.Hour
	}
}

// spoilt makes some commands wrong.
func (g *teller) spoilt(c oracle.Command) oracle.Command {
	if !g.in(9) || c.Kind == oracle.Clock {
		return c
	}
	wrong := func(code string) string {
		if code == "" {
			return code
		}
		switch n := g.IntN(4); {
		case n == 0:
			return oracle.Mistyped(code)
		case n == 1 || c.Kind == oracle.Discard && c.Place == "": // of what is in no vat the place must be said
			return oracle.Unmade(code[0])
		default:
			return oracle.Unmade(oneOf(g, []byte("LCGR")))
		}
	}
	c.Lines, c.Draws, c.Fills = slices.Clone(c.Lines), slices.Clone(c.Draws), slices.Clone(c.Fills)
	switch n := g.IntN(6); {
	case n == 0 && c.Place != "":
		if c.Place = oneOf(g, []string{"nowhere", "workshop", "counter", "stall"}); c.Place == c.To {
			c.Place = "nowhere"
		}
	case n == 1 && c.Name != "" && c.Kind != oracle.Receive:
		c.Name = "no-such-thing"
	case n == 2 && c.Vat != "":
		c.Vat = "no-such-vat"
	case len(c.Lines) > 0:
		l := &c.Lines[g.IntN(len(c.Lines))]
		if g.in(50) {
			l.Pieces, l.Mass = l.Pieces*7, l.Mass*7
		} else {
			l.Code = wrong(l.Code)
		}
	case len(c.Draws) > 0:
		d := &c.Draws[g.IntN(len(c.Draws))]
		if g.in(50) {
			d.Mass *= 20
		} else {
			d.Source = wrong(d.Source)
		}
	case len(c.Fills) > 0:
		c.Fills[0].Source = wrong(c.Fills[0].Source)
	default:
		c.Code = wrong(c.Code)
	}
	return c
}

func (g *teller) clock() (oracle.Command, bool) {
	wait := time.Duration(1+g.IntN(100)) * time.Minute
	switch g.IntN(4) {
	case 0:
		wait = time.Duration(1+g.IntN(14)) * time.Hour
	case 1:
		wait = time.Duration(12+g.IntN(40)) * time.Hour
	}
	return oracle.Command{Kind: oracle.Clock, Wait: wait}, true
}

func (g *teller) receive() (oracle.Command, bool) {
	i := oneOf(g, oracle.Ingredients)
	site := oracle.Sites[0].Slug
	place := "workshop"
	if i.Storage == "chilled" {
		place = "cold-room"
	}
	if g.in(25) {
		place, site = "back-room", oracle.Sites[1].Slug
	}
	c := oracle.Command{
		Kind: oracle.Receive, Name: i.Slug, Place: place, Amount: int64(500+g.IntN(6000)) * oracle.Gram, SupplierLot: "SL-2",
		MarkKind: "best_before", Mark: g.m.Today(site) + oracle.Day(3+g.IntN(40)),
	}
	if i.Kind == "dairy" {
		c.MarkKind, c.Mark = "use_by", g.m.Today(site)+oracle.Day(g.IntN(12))
	}
	if i.Kind == "syrup" && g.in(30) {
		c.MarkKind, c.Mark = "none", oracle.NoDay
	}
	if g.in(6) {
		c.SupplierLot = ""
	}
	if g.in(5) {
		c.Allergens = append([]string{"eggs"}, i.Allergens...)
	}
	return c, true
}

// usable picks something that stands; mostly neither held nor past its date.
func (g *teller) usable(kind byte, fits func(oracle.Standing) bool) (oracle.Standing, bool) {
	careless := g.in(8)
	all := slices.DeleteFunc(g.m.Stands(kind), func(s oracle.Standing) bool {
		return fits != nil && !fits(s) || !careless && (s.Held || s.Past)
	})
	if len(all) == 0 {
		return oracle.Standing{}, false
	}
	return oneOf(g, all), true
}

func (g *teller) lotOf(name string) (oracle.Standing, bool) {
	return g.usable('L', func(s oracle.Standing) bool { return s.Name == name })
}

func (g *teller) some(most int64) int64 { return max(1, most*int64(1+g.IntN(10))/10) }

func (g *teller) open() (oracle.Command, bool) {
	lot, found := g.usable('L', func(s oracle.Standing) bool {
		return !strings.Contains(s.Code, ".") && (s.Name == "cream-35" || s.Name == "plum-puree")
	})
	return oracle.Command{Kind: oracle.Open, Code: lot.Code, Place: lot.Place, Amount: g.some(lot.Amount) / 2}, found && lot.Amount > 1
}

func (g *teller) melt() (oracle.Command, bool) {
	vat := oneOf(g, oracle.Vats)
	c := oracle.Command{Kind: oracle.Melt, Vat: vat.Slug}
	for range 1 + g.IntN(2) {
		kind := vat.Chocolate
		if g.in(4) {
			kind = "milk"
		}
		lot, found := g.lotOf("couverture-" + kind)
		if !found {
			return c, false
		}
		mass := min(lot.Amount, int64(200+g.IntN(4000))*oracle.Gram)
		if g.in(10) {
			mass = min(lot.Amount, int64(1+g.IntN(9))*oracle.Gram)
		}
		c.Draws = append(c.Draws, oracle.Draw{Source: lot.Code, Place: lot.Place, Mass: mass})
	}
	return c, true
}

func (g *teller) empty() (oracle.Command, bool) {
	return oracle.Command{Kind: oracle.Empty, Vat: oneOf(g, oracle.Vats).Slug, Flag: g.in(50)}, true
}

func (g *teller) ganache() (oracle.Command, bool) {
	f := oneOf(g, oracle.Formulas)
	c := oracle.Command{Kind: oracle.Ganache, Name: f.Slug, Place: oneOf(g, []string{"workshop", "cold-room", "back-room"}), Boiled: g.in(85)}
	scale := int64(1 + g.IntN(6))
	for _, in := range f.Inputs {
		mass := in.Mass * scale / 4
		if g.in(4) {
			mass = mass * 5 / 4
		}
		if strings.HasPrefix(in.Ingredient, "couverture") && g.in(50) {
			charge, has := g.m.Charge("vat-" + strings.TrimPrefix(in.Ingredient, "couverture-"))
			if charge != "" && has > 0 {
				c.Draws = append(c.Draws, oracle.Draw{Source: charge, Mass: min(mass, has)})
				continue
			}
		}
		lot, found := g.lotOf(in.Ingredient)
		if !found {
			return c, false
		}
		c.Draws = append(c.Draws, oracle.Draw{Source: lot.Code, Place: lot.Place, Mass: min(mass, lot.Amount)})
	}
	if g.in(40) {
		total := int64(0)
		for _, d := range c.Draws {
			total += d.Mass
		}
		c.Amount = total * int64(90+g.IntN(11)) / 100
	}
	return c, true
}

// vatFor is a vat for a design that has something in it.
func (g *teller) vatFor(d oracle.Design) string {
	var fit []string
	for _, v := range oracle.Vats {
		if _, has := g.m.Charge(v.Slug); v.Chocolate == d.Chocolate && has > 500*oracle.Gram || g.in(2) {
			fit = append(fit, v.Slug)
		}
	}
	if len(fit) == 0 {
		return ""
	}
	return oneOf(g, fit)
}

func (g *teller) step(vat string, each int64, cavities int) *oracle.Step {
	s := &oracle.Step{Vat: vat, Drawn: -1, Returned: -1}
	if g.in(50) {
		s.Returned = int64(g.IntN(300)) * oracle.Gram
		if g.in(50) {
			s.Drawn = s.Returned + each*int64(cavities)*int64(90+g.IntN(20))/100
		}
	}
	return s
}

func (g *teller) fillingFor(d oracle.Design, cavities int) ([]oracle.Fill, bool) {
	if d.Filling == 0 {
		return nil, true
	}
	kind, name := byte('G'), d.Formula
	if d.Ingredient != "" {
		kind, name = 'L', d.Ingredient
	}
	source, found := g.usable(kind, func(s oracle.Standing) bool { return s.Name == name })
	if !found {
		return nil, false
	}
	f := oracle.Fill{Source: source.Code, Place: source.Place, Mass: -1}
	if full := d.Filling * int64(cavities); source.Amount < full || g.in(30) {
		f.Mass = min(full, source.Amount)
	}
	return []oracle.Fill{f}, true
}

func (g *teller) run() (oracle.Command, bool) {
	d := oneOf(g, oracle.Designs)
	vat := g.vatFor(d)
	c := oracle.Command{Kind: oracle.Run, Name: d.Slug, Moulds: 1 + g.IntN(3), Place: oneOf(g, []string{"workshop", "workshop", "back-room", "counter"})}
	if vat == "" {
		return c, false
	}
	cavities := c.Moulds * oracle.Cavities
	c.Cast = g.step(vat, d.Shell, cavities)
	if g.in(20) {
		return c, true
	}
	var found bool
	if c.Fills, found = g.fillingFor(d, cavities); !found {
		return c, false
	}
	if d.Cap > 0 {
		c.Cap = g.step(vat, d.Cap, cavities)
	}
	c.Out = g.turnOut(cavities)
	return c, true
}

func (g *teller) turnOut(cavities int) *oracle.TurnOut {
	o := &oracle.TurnOut{}
	if g.in(40) {
		o.Broken, o.Left = g.IntN(4), g.IntN(3)
	}
	o.Good = cavities - o.Broken - o.Left
	if g.in(5) {
		o.Good++
	}
	return o
}

// work goes on with a run that is not turned out.
func (g *teller) work() (oracle.Command, bool) {
	runs := g.m.Runs("started", "cast", "filled", "capped")
	if len(runs) == 0 {
		return oracle.Command{}, false
	}
	t := oneOf(g, runs)
	d := oracle.Designs[slices.IndexFunc(oracle.Designs, func(d oracle.Design) bool { return d.Slug == t.Name })]
	c := oracle.Command{Kind: oracle.Work, Code: t.Code}
	cavities := t.Moulds * oracle.Cavities
	state := t.State
	if g.in(5) {
		state = oneOf(g, []string{"started", "cast", "filled", "capped"})
	}
	switch {
	case state == "started":
		vat := g.vatFor(d)
		c.Cast = g.step(vat, d.Shell, cavities)
		return c, vat != ""
	case state == "cast" && d.Filling > 0:
		var found bool
		c.Fills, found = g.fillingFor(d, cavities)
		return c, found
	case (state == "cast" || state == "filled") && d.Cap > 0:
		vat := g.vatFor(d)
		c.Cap = g.step(vat, d.Cap, cavities)
		return c, vat != ""
	}
	c.Out = g.turnOut(cavities)
	return c, true
}

func (g *teller) release() (oracle.Command, bool) {
	s, found := g.usable('R', func(s oracle.Standing) bool { return !s.Released })
	place := "counter"
	if g.in(35) {
		place = "stall"
	}
	pieces := int(s.Amount)
	if g.in(40) {
		pieces = int(g.some(s.Amount))
	}
	if g.in(4) {
		pieces += 3
	}
	return oracle.Command{Kind: oracle.Release, Code: s.Code, Pieces: pieces, Place: place}, found
}

// pieces asks for some of what stands released: by design or by code.
func (g *teller) pieces() (place string, lines []oracle.Line, found bool) {
	first, found := g.usable('R', func(s oracle.Standing) bool {
		return (s.Released || g.in(3)) && (s.Place == "counter" || s.Place == "stall")
	})
	if !found {
		return "", nil, false
	}
	for range 1 + g.IntN(2) {
		s, found := g.usable('R', func(s oracle.Standing) bool { return s.Released && s.Place == first.Place })
		if !found || len(lines) == 0 {
			s = first
		}
		l := oracle.Line{Pieces: 1 + g.IntN(12)}
		if g.in(12) {
			l.Pieces = int(s.Amount) + g.IntN(3)
		}
		if g.in(70) {
			l.Design = s.Name
		} else {
			l.Code = s.Code
		}
		lines = append(lines, l)
	}
	return first.Place, lines, true
}

func (g *teller) sell() (oracle.Command, bool) {
	place, lines, found := g.pieces()
	return oracle.Command{Kind: oracle.Sell, Place: place, Lines: lines, Channel: "counter"}, found
}

func (g *teller) give() (oracle.Command, bool) {
	place, lines, found := g.pieces()
	return oracle.Command{Kind: oracle.Give, Place: place, Lines: lines}, found
}

// anything picks something that stands at a place, whatever is the matter with it.
func (g *teller) anything() (oracle.Standing, bool) {
	all := g.m.Stands(oneOf(g, []byte("LGRR")))
	if len(all) == 0 {
		return oracle.Standing{}, false
	}
	return oneOf(g, all), true
}

func line(s oracle.Standing, amount int64) []oracle.Line {
	l := oracle.Line{Code: s.Code, Mass: amount}
	if s.Code[0] == 'R' {
		l.Mass, l.Pieces = 0, int(amount)
	}
	return []oracle.Line{l}
}

func (g *teller) discard() (oracle.Command, bool) {
	if g.in(15) {
		vat := oneOf(g, oracle.Vats).Slug
		charge, has := g.m.Charge(vat)
		return oracle.Command{Kind: oracle.Discard, Lines: []oracle.Line{{Code: charge, Mass: g.some(has) / 3}}}, has > 3
	}
	s, found := g.anything()
	if !found {
		return oracle.Command{}, false
	}
	return oracle.Command{Kind: oracle.Discard, Place: s.Place, Lines: line(s, g.some(s.Amount))}, true
}

func (g *teller) move() (oracle.Command, bool) {
	s, found := g.anything()
	if !found {
		return oracle.Command{}, false
	}
	to := oneOf(g, oracle.Places).Slug
	return oracle.Command{Kind: oracle.Move, Place: s.Place, To: to, Lines: line(s, g.some(s.Amount))}, to != s.Place
}

func (g *teller) count() (oracle.Command, bool) {
	s, found := g.anything()
	if !found {
		return oracle.Command{}, false
	}
	amount := s.Amount
	if g.in(60) {
		amount = max(0, amount+int64(g.IntN(7))-4)
	}
	if g.in(10) {
		amount = 0
	}
	c := oracle.Command{Kind: oracle.Count, Place: s.Place, Lines: line(s, amount), Flag: g.in(10)}
	for _, other := range g.m.Stands(oneOf(g, []byte("LGR"))) {
		if other.Place == s.Place && other.Code != s.Code && g.in(20) && len(c.Lines) < 3 {
			c.Lines = append(c.Lines, line(other, other.Amount)...)
			break
		}
	}
	return c, true
}

func (g *teller) hold() (oracle.Command, bool) {
	if len(g.m.Order) == 0 {
		return oracle.Command{}, false
	}
	return oracle.Command{Kind: oracle.Hold, Code: oneOf(g, g.m.Order), Flag: g.in(70)}, true
}

func (g *teller) lift() (oracle.Command, bool) {
	open := g.m.OpenHolds()
	if len(g.m.Holds) > 0 && g.in(5) {
		return oracle.Command{Kind: oracle.Lift, Nth: 1 + g.IntN(len(g.m.Holds))}, true
	}
	if len(open) == 0 {
		return oracle.Command{}, false
	}
	return oracle.Command{Kind: oracle.Lift, Nth: oneOf(g, open)}, true
}

func (g *teller) check() (oracle.Command, bool) {
	if len(g.m.Order) == 0 {
		return oracle.Command{}, false
	}
	return oracle.Command{Kind: oracle.Check, Code: oneOf(g, g.m.Order), Word: oneOf(g, []string{"metal", "visual", "weight"}), Flag: g.in(50)}, true
}

func (g *teller) decide() (oracle.Command, bool) {
	open := g.m.OpenDeviations()
	if len(open) == 0 {
		return oracle.Command{}, false
	}
	c := oracle.Command{Kind: oracle.Decide, Nth: oneOf(g, open), Word: "accept"}
	if g.in(25) {
		c.Word = "discard"
	}
	return c, true
}
