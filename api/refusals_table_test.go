package api

import (
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// refusalGroups is the table: every command × every refusal. Each group has a book of its own.
var refusalGroups = map[string][]refusable{
	"goods":    {receiving, opening, melting, emptying, making},
	"moulding": {moulding, casting, capping},
	"filling":  {filling, decorating, turningOut},
	"gate":     {releasing, givingFromTheMould},
	"pieces":   {selling, giving},
	"boxes":    {packing, packingFirstExpiring, unboxing},
	"handling": {moving, discarding, counting},
	"recalls":  {recalling, narrowing, closing},
	"care":     {holding, lifting, checking, deciding, redating, printing},
}

// What cannot apply, and why not.
var (
	namesNoCode = map[workshop.Slug]string{"mistyped-code": "it names things by slugs and ids, whose form the document checks"}
	hasNoState  = map[workshop.Slug]string{"wrong-state": "there is no order in which it has to be done"}
	drawsNone   = map[workshop.Slug]string{
		"on-hold": "it draws nothing: what is on hold may be handled so", "past-date": "it draws nothing: what is past its date may be handled so",
	}
	sellsNone   = map[workshop.Slug]string{"not-released": "pieces are sold and given only once they are released; nothing else asks for it"}
	meltsNone   = map[workshop.Slug]string{"wrong-chocolate": "no chocolate is chosen"}
	opensNoGate = map[workshop.Slug]string{
		"undecided-deviation": "asked at the gate", "allergens-unknown": "asked at the gate", "allergen-not-on-label": "asked at the gate", "no-whole-day": "asked at the gate",
	}
	takesNone = map[workshop.Slug]string{"not-enough": "it takes no stock"}
	onlyNotes = never(drawsNone, sellsNone, meltsNone, opensNoGate)
)

// At the wrong time.
var (
	inTheFuture = fault{slug: "in-the-future", put: func(a *asked) {
		a.happened(tooSoon)
		a.tell("in-the-future", obj{"occurred_at": tooSoon})
	}}
	longAgo = fault{slug: "too-long-ago", put: func(a *asked) {
		a.as = a.s.maker
		a.happened(tooLate)
		a.tell("too-long-ago", obj{"occurred_at": tooLate})
	}}
)

// faults are those of one command.
func faults(of ...[]fault) []fault {
	all := []fault{inTheFuture, longAgo}
	for _, some := range of {
		all = append(all, some...)
	}
	return all
}

// inPath makes the URL name something wrong.
func inPath(slug workshop.Slug, what func(a *asked) string) fault {
	return fault{slug: slug, name: "in the URL", inURL: slug == "unknown-code", put: func(a *asked) { a.url = what(a) }}
}

// urlOf are what is wrong with a code in the URL.
func urlOf(kind events.Kind, another func(s *refusalShop) string) []fault {
	return []fault{
		inPath("mistyped-code", func(a *asked) string {
			a.tell("mistyped-code", obj{"typed": mistyped(kind, 0)})
			return mistyped(kind, 0)
		}),
		alone(inPath("unknown-code", func(a *asked) string {
			a.tell("unknown-code", obj{"code": strange(kind, 0)})
			return strange(kind, 0)
		})),
		inPath("wrong-kind-of-thing", func(a *asked) string {
			code := another(a.s)
			a.tell("wrong-kind-of-thing", obj{"code": code})
			return code
		}),
	}
}

func alone(f fault) fault {
	f.alone = true
	return f
}

// member sets a member of the body.
func member(slug workshop.Slug, name string, value any) fault {
	return fault{slug: slug, name: name, put: func(a *asked) { a.body[name] = value }}
}

// nobody is a name that the book does not have.
func nobody(name string) fault {
	f := member("unknown-code", name, "nobody")
	f.put = func(a *asked) {
		a.body[name] = "nobody"
		a.tell("unknown-code", obj{"name": "nobody"})
	}
	return f
}

// is gives what the URL names, or what is drawn from, a trait.
func is(slug workshop.Slug, traits ...trait) fault {
	return fault{slug: slug, put: func(a *asked) { a.with = append(a.with, traits...) }}
}

func from(slug workshop.Slug, traits ...trait) fault {
	return fault{slug: slug, put: func(a *asked) { a.from = append(a.from, traits...) }}
}

// before has the request say that it happened before something was there that it names.
func before(f fault) fault {
	put := f.put
	f.slug, f.put = "before-it-existed", func(a *asked) {
		a.happened(ago)
		put(a)
	}
	return f
}

// A shape writes a line of a request with a code and an amount: pieces, or grams.
type shape func(code string, amount int) obj

func drawn(code string, amount int) obj { return obj{"source": code, "quantity_g": amount} }

func weighed(code string, amount int) obj { return obj{"code": code, "quantity_g": amount} }

func counted(code string, amount int) obj { return obj{"code": code, "pieces": amount} }

// A goods gives the n-th thing with some traits.
type goods func(s *refusalShop, n int, with ...trait) string

func lots(ingredient string) goods {
	return func(s *refusalShop, n int, with ...trait) string { return s.lot(ingredient, n, with...) }
}

func runs(always ...trait) goods {
	return func(s *refusalShop, n int, with ...trait) string { return s.run(n, append(with, always...)...) }
}

// line makes a fault that one line has.
func line(slug workshop.Slug, of func(s *refusalShop, i int) (line, facts obj)) fault {
	return fault{slug: slug, name: "a line", line: of}
}

// codesOf are what is wrong with the code of a line.
func codesOf(shape shape, kind events.Kind, another goods, otherShape shape) []fault {
	return []fault{
		line("mistyped-code", func(_ *refusalShop, i int) (obj, obj) {
			return shape(mistyped(kind, i), 1), obj{"typed": mistyped(kind, i)}
		}),
		line("unknown-code", func(_ *refusalShop, i int) (obj, obj) {
			return shape(strange(kind, i), 1), obj{"code": strange(kind, i)}
		}),
		line("wrong-kind-of-thing", func(s *refusalShop, i int) (obj, obj) {
			code := another(s, i)
			return otherShape(code, 1), obj{"code": code}
		}),
	}
}

// lineLate names what was not there yet.
func lineLate(shape shape, of goods) fault {
	f := line("before-it-existed", func(s *refusalShop, i int) (obj, obj) {
		code := of(s, i, isLate)
		return shape(code, 1), obj{"in_the_way": []string{code}}
	})
	f.dated = ago
	return f
}

// lineIs names what has a trait.
func lineIs(slug workshop.Slug, shape shape, of goods, with trait) fault {
	return line(slug, func(s *refusalShop, i int) (obj, obj) {
		code := of(s, i, with)
		return shape(code, 1), obj{"code": code}
	})
}

// lineShort asks for more than stands at a place.
func lineShort(shape shape, of goods, place, unit string) fault {
	return line("not-enough", func(s *refusalShop, i int) (obj, obj) {
		code := of(s, 2+i)
		return shape(code, 600001+i), obj{"wanted": 600001 + i, "available": s.stands(code, place), "unit": unit, "place": place}
	})
}

// draws are what keeps a lot, or a filling, from being drawn from.
func draws(shape shape, of goods) []fault {
	return []fault{
		lineLate(shape, of), lineIs("on-hold", shape, of, isHeld), lineIs("past-date", shape, of, isPast), lineShort(shape, of, "workshop", "g"),
	}
}

var receiving = refusable{
	route: "/v1/lots",
	ask: func(a *asked) {
		a.target = "/v1/lots"
		a.or(delivery("cream", "example-dairy", 1000, useBy("2027-05-31"), "workshop"))
	},
	faults: faults([]fault{
		nobody("supplier"), alone(nobody("ingredient")), alone(nobody("place")), member("wrong-kind-of-thing", "ingredient", "water"),
	}),
	never: never(namesNoCode, hasNoState, onlyNotes, takesNone, map[workshop.Slug]string{"before-it-existed": "it names nothing that came to be at some time"}),
}

var opening = refusable{
	route: "/v1/lots/:code/openings",
	ask: func(a *asked) {
		a.target = "/v1/lots/" + a.named(func() string { return a.s.lot("cream", 0, a.with...) }) + "/openings"
		a.or(obj{"quantity_g": 1})
	},
	faults: faults(urlOf(events.KindLot, func(s *refusalShop) string { return s.filling }), []fault{
		nobody("place"), before(is("", isLate)), is("on-hold", isHeld), is("past-date", isPast),
		{slug: "not-enough", put: func(a *asked) {
			a.body["quantity_g"] = 600001
			if a.url == "" && len(a.with) == 0 {
				a.tell("not-enough", obj{"wanted": 600001, "available": a.s.stands(a.s.lot("cream", 0), "workshop"), "unit": "g", "place": "workshop"})
			}
		}},
	}),
	never:  never(hasNoState, sellsNone, meltsNone, opensNoGate),
	spends: []string{"lot cream"}, produces: true,
}

var dark = lots("couverture-dark-60")

var melting = refusable{
	route: "/v1/vats/:slug/melts", lines: "inputs",
	ask: func(a *asked) {
		a.target = "/v1/vats/" + a.named(func() string { tank, _ := a.s.tank(1, a.with...); return tank }) + "/melts"
		a.good(drawn(dark(a.s, 0), 1))
	},
	faults: faults(
		codesOf(drawn, events.KindLot, func(s *refusalShop, n int, _ ...trait) string { return []string{s.filling, s.coldFilling}[n] }, drawn),
		draws(drawn, dark), []fault{
			alone(inPath("unknown-code", func(*asked) string { return "nobody" })),
			alone(line("wrong-kind-of-thing", func(s *refusalShop, i int) (obj, obj) {
				cream := s.lot("cream", i)
				return drawn(cream, 1), obj{"code": cream}
			})),
			{slug: "wrong-state", put: func(a *asked) {
				a.with = append(a.with, isFull)
				a.tell("wrong-state", obj{"capacity_g": 100000})
			}},
			line("wrong-chocolate", func(s *refusalShop, i int) (obj, obj) {
				milk := s.lot("couverture-milk-35", i)
				return drawn(milk, 1), obj{"code": milk}
			}),
		},
	),
	never:    never(sellsNone, opensNoGate),
	spends:   []string{"tank"},
	produces: true,
}

var emptying = refusable{
	route: "/v1/vats/:slug/emptyings",
	ask: func(a *asked) {
		a.target = "/v1/vats/" + a.named(func() string { tank, _ := a.s.tank(2, a.with...); return tank }) + "/emptyings"
		a.or(obj{"cleaned": true, "rest": "discard"})
	},
	faults: faults([]fault{
		alone(inPath("unknown-code", func(*asked) string { return "nobody" })),
		{slug: "unknown-code", name: "of a place", put: func(a *asked) { a.body["rest"], a.body["place"] = "block", "nobody" }},
		{slug: "before-it-existed", put: func(a *asked) {
			_, charge := a.s.tank(2, isLate)
			a.happened(ago)
			a.with = append(a.with, isLate)
			a.tell("before-it-existed", obj{"in_the_way": []string{charge}})
		}},
		is("wrong-state", isEmpty),
	}),
	never: never(namesNoCode, onlyNotes, map[workshop.Slug]string{
		"wrong-kind-of-thing": "a tank's name is no other thing's", "not-enough": "it takes what there is",
	}),
	apart:  [][2]workshop.Slug{{"before-it-existed", "wrong-state"}}, // an empty tank has nothing that came to be
	spends: []string{"tank"},
}

var cream = lots("cream")

var making = refusable{
	route: "/v1/ganaches", lines: "inputs",
	ask: func(a *asked) {
		a.target = "/v1/ganaches"
		a.or(obj{"formula": "bay", "place": "workshop"})
		a.good(drawn(cream(a.s, 0), 1))
	},
	faults: faults(codesOf(drawn, events.KindLot, runs(), drawn), draws(drawn, cream), []fault{
		alone(nobody("formula")), alone(nobody("place")),
		{slug: "unknown-code", name: "of what has no lots", alone: true, put: func(a *asked) { a.line(obj{"ingredient": "nobody", "quantity_g": 1}) }},
		{slug: "wrong-kind-of-thing", name: "of what has lots", alone: true, put: func(a *asked) { a.line(obj{"ingredient": "cream", "quantity_g": 1}) }},
		member("wrong-state", "yield_g", 2000000),
	}),
	never:    never(sellsNone, meltsNone, opensNoGate),
	produces: true,
}

func ganaches(s *refusalShop, n int, with ...trait) string { return s.ganache(n, with...) }

var moulding = refusable{
	route: "/v1/runs", lines: "filling",
	ask: func(a *asked) {
		a.target = "/v1/runs"
		tank, _ := a.s.tank(3, a.from...)
		a.or(obj{
			"design": "dome", "mould": "dome-24", "moulds": 1, "place": "workshop", "casting": obj{"vat": tank}, "capping": obj{"vat": a.s.store}, "turned_out": obj{"good": 24},
		})
		a.good(drawn(a.s.ganache(0), 1))
	},
	faults: faults(codesOf(drawn, events.KindGanache, runs(), drawn), draws(drawn, ganaches), []fault{
		alone(nobody("design")), alone(nobody("mould")), alone(nobody("place")),
		alone(member("unknown-code", "casting", obj{"vat": "nobody"})), alone(member("unknown-code", "capping", obj{"vat": "nobody"})),
		alone(member("unknown-code", "decorations", []obj{{"stage": "after_capping", "inputs": []obj{{"source": strange(events.KindLot, 0)}}}})),
		{slug: "in-the-future", name: "of a step", alone: true, put: func(a *asked) {
			a.body["casting"] = obj{"vat": a.s.store, "occurred_at": "2026-11-25T12:01:00Z"}
		}},
		member("wrong-state", "turned_out", obj{"good": 25}),
		from("wrong-chocolate", isMilk),
		{slug: "on-hold", name: "casting", alone: true, put: func(a *asked) { a.from = append(a.from, isHeld) }},
		{slug: "not-enough", name: "casting from nothing", alone: true, stays: true, put: func(a *asked) { a.from = append(a.from, isEmpty) }},
	}),
	never:  never(sellsNone, opensNoGate),
	spends: []string{"tank"}, produces: true, steps: true,
}

// step makes the URL of a step of a run. A step that is recorded needs another run the next time.
func step(a *asked, what string, with ...trait) {
	a.target = "/v1/runs/" + a.named(func() string {
		for _, is := range a.with {
			if is != isLate { // a fault says how far the run went
				with = nil
			}
		}
		return a.s.run(4, append(with, a.with...)...)
	}) + "/" + what
}

func aLot(s *refusalShop) string { return s.lot("cream", 6) }

// fromTanks are what is wrong with chocolate that is drawn from a tank.
var fromTanks = []fault{
	nobody("vat"), from("on-hold", isHeld), from("wrong-chocolate", isMilk), member("not-enough", "drawn_g", 600000),
	{slug: "not-enough", name: "of what was melted later", alone: true, stays: true, put: func(a *asked) {
		a.happened(ago)
		a.from = append(a.from, isLate)
		a.tell("not-enough", obj{"available": 0, "unit": "g"})
	}},
	{slug: "wrong-state", name: "more back than out", alone: true, put: func(a *asked) {
		a.body["drawn_g"], a.body["returned_g"] = 100, 101
		a.tell("wrong-state", obj{"drawn_g": 100, "returned_g": 101})
	}},
	{slug: "not-enough", name: "from nothing", alone: true, stays: true, put: func(a *asked) {
		a.from = append(a.from, isEmpty)
		a.tell("not-enough", obj{"available": 0, "unit": "g"})
	}},
}

// fromATank asks for chocolate of a tank.
func fromATank(a *asked) {
	tank, _ := a.s.tank(4, a.from...)
	a.or(obj{"vat": tank})
	if a.body["drawn_g"] == 600000 && len(a.from) == 0 && a.body["vat"] == tank {
		a.tell("not-enough", obj{"wanted": 600000, "available": a.s.holds(tank), "unit": "g", "place": tank})
	}
}

var casting = refusable{
	route: "/v1/runs/:code/castings",
	ask: func(a *asked) {
		step(a, "castings", isStarted)
		fromATank(a)
	},
	faults: faults(urlOf(events.KindRun, aLot), fromTanks, []fault{before(is("", isLate)), is("wrong-state", isCast)}),
	never: never(sellsNone, opensNoGate, map[workshop.Slug]string{
		"past-date": "chocolate in a tank is past its best before at most",
	}),
	spends: []string{"run", "tank"}, produces: true,
}

var filling = refusable{
	route: "/v1/runs/:code/fillings",
	ask: func(a *asked) {
		step(a, "fillings", isCast)
		if _, set := a.body["source"]; !set {
			source := a.s.ganache(0, a.from...)
			a.body["source"] = source
			if a.body["quantity_g"] != nil && len(a.from) == 0 {
				a.tell("not-enough", obj{"wanted": 600000, "available": a.s.stands(source, "workshop"), "unit": "g", "place": "workshop"})
			}
		}
	},
	faults: faults(urlOf(events.KindRun, aLot), []fault{
		nobody("place"), alone(member("mistyped-code", "source", mistyped(events.KindGanache, 0))), alone(member("unknown-code", "source", strange(events.KindGanache, 0))),
		{slug: "wrong-kind-of-thing", name: "source", alone: true, put: func(a *asked) { a.body["source"], a.body["quantity_g"] = a.s.run(5), 1 }},
		before(is("", isLate)), is("wrong-state", isCapped), alone(is("wrong-state", isStarted)), from("on-hold", isHeld), from("past-date", isPast),
		member("not-enough", "quantity_g", 600000),
	}),
	never:  never(sellsNone, meltsNone, opensNoGate),
	spends: []string{"run", "ganache"}, produces: true,
}

var paste = lots("hazelnut-paste")

var decorating = refusable{
	route: "/v1/runs/:code/decorations", lines: "inputs",
	ask: func(a *asked) {
		step(a, "decorations", isCapped)
		a.or(obj{"stage": "after_capping"})
		a.good(drawn(paste(a.s, 0), 1))
	},
	faults: faults(urlOf(events.KindRun, aLot), codesOf(drawn, events.KindLot, runs(), drawn), draws(drawn, paste), []fault{
		member("wrong-state", "stage", "before_casting"), alone(before(is("", isLate))),
	}),
	never:  never(sellsNone, meltsNone, opensNoGate),
	spends: []string{"run"}, produces: true,
}

var capping = refusable{
	route: "/v1/runs/:code/cappings",
	ask: func(a *asked) {
		step(a, "cappings", isFilled)
		fromATank(a)
	},
	faults: faults(urlOf(events.KindRun, aLot), fromTanks, []fault{before(is("", isLate)), is("wrong-state", isCapped), alone(is("wrong-state", isStarted))}),
	never: never(sellsNone, opensNoGate, map[workshop.Slug]string{
		"past-date": "chocolate in a tank is past its best before at most",
	}),
	spends: []string{"run", "tank"}, produces: true,
}

var turningOut = refusable{
	route: "/v1/runs/:code/turnouts",
	ask: func(a *asked) {
		step(a, "turnouts", isCapped)
		a.or(obj{"good": 20})
	},
	faults: faults(urlOf(events.KindRun, aLot), []fault{
		{slug: "unknown-code", name: "of shells", alone: true, put: func(a *asked) {
			a.body["unfilled"], a.body["unfilled_to"] = 1, obj{"vat": "nobody"}
		}},
		alone(member("unknown-code", "unfilled_to", obj{"vat": "nobody"})),
		before(is("", isLate)), member("wrong-state", "good", 25), alone(is("wrong-state", isStarted)),
		{slug: "wrong-chocolate", put: func(a *asked) {
			tank, _ := a.s.tank(5, isMilk)
			a.body["unfilled"], a.body["unfilled_to"] = 1, obj{"vat": tank}
		}},
	}),
	never:  never(drawsNone, sellsNone, opensNoGate, map[workshop.Slug]string{"not-enough": "more than was cast is wrong-state"}),
	spends: []string{"run"}, produces: true,
}

// atTheGate are what keeps pieces behind it.
var atTheGate = []fault{
	is("on-hold", isHeld), is("past-date", isPast), is("undecided-deviation", isSuspect), is("allergens-unknown", isUnknown), is("allergen-not-on-label", isUnlabeled),
	{slug: "no-whole-day", name: "there", put: func(a *asked) {
		a.with = append(a.with, isChilled)
		a.tell("no-whole-day", obj{"class": "chilled"})
	}},
	{slug: "no-whole-day", name: "anywhere", alone: true, put: func(a *asked) {
		a.with = append(a.with, isUndated)
		a.tell("no-whole-day", obj{"class": nil})
	}},
}

var releasing = refusable{
	route: "/v1/runs/:code/releases",
	ask: func(a *asked) {
		a.target = "/v1/runs/" + a.named(func() string { return a.s.run(4, a.with...) }) + "/releases"
		a.or(obj{"pieces": 1, "place": "counter"})
	},
	faults: faults(urlOf(events.KindRun, aLot), atTheGate, []fault{
		nobody("place"), before(is("", isLate)), member("wrong-state", "pieces", 25), alone(is("wrong-state", isCapped)),
	}),
	never: never(sellsNone, meltsNone, map[workshop.Slug]string{
		"not-enough": "more than was turned out is wrong-state",
	}),
	spends: []string{"run"}, produces: true,
}

var givingFromTheMould = refusable{
	route: "/v1/tasters", how: " straight from the mould", lines: "lines",
	ask: func(a *asked) {
		a.target = "/v1/tasters"
		a.or(obj{"place": "workshop", "release": true})
		a.good(counted(a.s.run(4, a.with...), 1))
	},
	faults: faults(codesOf(counted, events.KindRun, cream, counted), atTheGate, []fault{before(is("", isLate)), lineShort(counted, runs(), "workshop", "pieces")}),
	never: never(hasNoState, meltsNone, map[workshop.Slug]string{
		"not-released": "they are released by it",
	}),
	spends: []string{"run"}, produces: true, steps: true,
}

// byDesign asks for more pieces of a design than may be taken, where those with a trait would do.
func byDesign(slug workshop.Slug, with trait, wanted, available int) fault {
	return fault{slug: slug, name: "by design", alone: true, line: func(s *refusalShop, i int) (obj, obj) {
		return obj{"design": s.shelf(i, with), "pieces": wanted + i}, obj{"wanted": wanted + i, "available": available, "unit": "pieces", "place": "counter"}
	}}
}

// onSale are what keeps pieces that stand at the counter from being sold or given.
func onSale() []fault {
	released := runs(isReleased)
	return append(codesOf(counted, events.KindRun, cream, counted),
		lineLate(counted, released), lineIs("on-hold", counted, released, isHeld), lineIs("past-date", counted, released, isPast),
		lineIs("not-released", counted, runs(), isWaiting), lineShort(counted, released, "counter", "pieces"),
		byDesign("on-hold", isHeld, 8, 5), byDesign("past-date", isPast, 8, 5), byDesign("not-released", isWaiting, 8, 5), byDesign("not-enough", isReleased, 11, 10),
		alone(nobody("place")),
		fault{slug: "unknown-code", name: "of a design", alone: true, put: func(a *asked) { a.line(obj{"design": "nobody", "pieces": 1}) }},
	)
}

var selling = refusable{
	route: "/v1/sales", lines: "lines",
	ask: func(a *asked) {
		a.target = "/v1/sales"
		a.or(obj{"place": "counter", "channel": "counter"})
		a.good(counted(a.s.run(0, isReleased), 1))
	},
	faults: faults(onSale(), []fault{
		{slug: "unknown-code", name: "of a buyer", alone: true, put: func(a *asked) { a.body["channel"], a.body["buyer"] = "trade", "nobody" }},
		alone(member("wrong-kind-of-thing", "place", "workshop")),
	}),
	never:  never(hasNoState, meltsNone, opensNoGate),
	spends: []string{"run", "shelf"},
}

var giving = refusable{
	route: "/v1/tasters", lines: "lines",
	ask: func(a *asked) {
		a.target = "/v1/tasters"
		a.or(obj{"place": "counter"})
		a.good(counted(a.s.run(0, isReleased), 1))
	},
	faults: faults(onSale()),
	never:  never(hasNoState, meltsNone, opensNoGate),
	spends: []string{"run", "shelf"},
}

func boxed(code string, amount int) obj { return obj{"run": code, "pieces": amount} }

var packing = refusable{
	route: "/v1/boxes", lines: "contents",
	ask: func(a *asked) {
		a.target = "/v1/boxes"
		a.or(obj{"place": "counter"})
		a.good(boxed(a.s.run(0, isReleased), 1))
	},
	faults: faults(codesOf(boxed, events.KindRun, cream, boxed), []fault{
		lineLate(boxed, runs(isReleased)), lineIs("on-hold", boxed, runs(isReleased), isHeld), lineIs("past-date", boxed, runs(isReleased), isPast),
		lineIs("not-released", boxed, runs(), isWaiting), lineShort(boxed, runs(isReleased), "counter", "pieces"), alone(nobody("place")),
		alone(member("wrong-kind-of-thing", "place", "freezer")),
		alone(line("wrong-kind-of-thing", func(s *refusalShop, i int) (obj, obj) {
			box := s.box(i)
			return boxed(box, 1), obj{"code": box}
		})),
	}),
	never:  never(hasNoState, meltsNone, opensNoGate),
	spends: []string{"run"}, produces: true,
}

var packingFirstExpiring = refusable{
	route: "/v1/boxes", how: " first expiring first", lines: "designs",
	ask: func(a *asked) {
		a.target = "/v1/boxes"
		a.or(obj{"place": "counter", "pick": "fefo"})
		a.good(obj{"design": a.s.shelf(5, isReleased), "pieces": 1})
	},
	faults: []fault{
		inTheFuture, byDesign("on-hold", isHeld, 8, 5), byDesign("past-date", isPast, 8, 5), byDesign("not-released", isWaiting, 8, 5), byDesign("not-enough", isReleased, 11, 10),
		{slug: "unknown-code", name: "of a design", alone: true, put: func(a *asked) { a.line(obj{"design": "nobody", "pieces": 1}) }},
	},
	never: never(namesNoCode, hasNoState, meltsNone, opensNoGate, map[workshop.Slug]string{
		"before-it-existed": "of a design, what was not there yet is not enough", "too-long-ago": "tried with runs that are named",
		"wrong-kind-of-thing": "a design is no other thing's name",
	}),
	spends: []string{"shelf"}, produces: true,
}

var unboxing = refusable{
	route: "/v1/boxes/:code/openings",
	ask: func(a *asked) {
		a.target = "/v1/boxes/" + a.named(func() string { return a.s.box(2, a.with...) }) + "/openings"
		a.or(obj{"count": 1})
		if a.body["count"] == 600 && len(a.with) == 0 && a.body["place"] == nil {
			a.tell("not-enough", obj{"wanted": 600, "available": 5, "unit": "pieces", "place": "counter"})
		}
	},
	faults: faults(urlOf(events.KindBox, func(s *refusalShop) string { return s.run(5) }), []fault{
		nobody("place"), before(is("", isLate)), is("on-hold", isHeld), member("not-enough", "count", 600),
	}),
	never: never(hasNoState, sellsNone, meltsNone, opensNoGate, map[workshop.Slug]string{
		"past-date": "each of its pieces has its own run's date",
	}),
	spends: []string{"box"},
}

func charges(s *refusalShop, n int, with ...trait) string {
	_, charge := s.tank(6+n, with...)
	return charge
}

var moving = refusable{
	route: "/v1/moves", lines: "lines",
	ask: func(a *asked) {
		a.target = "/v1/moves"
		a.or(obj{"from": "workshop", "to": "stall"})
		a.good(weighed(cream(a.s, 0), 1))
	},
	faults: faults(codesOf(weighed, events.KindLot, charges, weighed), []fault{
		lineLate(weighed, cream), lineShort(weighed, cream, "workshop", "g"), alone(nobody("from")), alone(nobody("to")),
		alone(line("wrong-kind-of-thing", func(s *refusalShop, i int) (obj, obj) { return counted(cream(s, i), 1), obj{"code": cream(s, i)} })),
		alone(lineShort(counted, runs(), "workshop", "pieces")),
	}),
	never: never(hasNoState, onlyNotes),
}

var discarding = refusable{
	route: "/v1/discards", lines: "lines",
	ask: func(a *asked) {
		a.target = "/v1/discards"
		a.or(obj{"place": "workshop", "reason": "damaged", "destination": "refuse"})
		a.good(counted(a.s.run(0), 1))
	},
	faults: faults(codesOf(counted, events.KindRun, runs(), weighed), []fault{
		lineLate(counted, runs()), lineShort(counted, runs(), "workshop", "pieces"), alone(nobody("place")), alone(lineShort(weighed, cream, "workshop", "g")),
	}),
	never:  never(hasNoState, onlyNotes),
	spends: []string{"run"},
}

var counting = refusable{
	route: "/v1/counts", lines: "lines",
	ask: func(a *asked) {
		a.target = "/v1/counts"
		a.or(obj{"place": "workshop"})
		a.good(counted(a.s.run(0), 24))
	},
	faults: faults(codesOf(counted, events.KindRun, runs(), weighed), []fault{
		lineLate(counted, runs()), alone(nobody("place")),
		{slug: "not-enough", name: "for what was taken since", stays: true, dated: ago, line: func(s *refusalShop, i int) (obj, obj) {
			run := s.run(1 + i)
			if left := s.stands(run, "workshop"); left == int64(24) {
				s.record("moves", obj{"from": "workshop", "to": "counter", "lines": []obj{{"code": run, "pieces": 5}}, "occurred_at": late})
			}
			return counted(run, 2), obj{"wanted": 5, "available": 2, "unit": "pieces", "place": "workshop"}
		}},
	}),
	never: never(hasNoState, onlyNotes),
	apart: [][2]workshop.Slug{{"in-the-future", "not-enough"}}, // nothing was taken since then
}

// ofSubject are what is wrong with a code in the body.
func ofSubject(name string, kind events.Kind) []fault {
	return []fault{
		{slug: "mistyped-code", put: func(a *asked) {
			a.body[name] = mistyped(kind, 0)
			a.tell("mistyped-code", obj{"typed": mistyped(kind, 0)})
		}},
		{slug: "unknown-code", put: func(a *asked) {
			a.body[name] = strange(kind, 0)
			a.tell("unknown-code", obj{"code": strange(kind, 0)})
		}},
		{slug: "before-it-existed", put: func(a *asked) {
			code := a.s.ganache(0, isLate)
			a.happened(ago)
			a.body[name] = code
			a.tell("before-it-existed", obj{"in_the_way": []string{code}})
		}},
	}
}

var holding = refusable{
	route: "/v1/holds",
	ask: func(a *asked) {
		a.target = "/v1/holds"
		a.or(obj{"code": a.s.ganache(1), "reason": "the supplier called"})
	},
	faults: faults(ofSubject("code", events.KindGanache)),
	never: never(hasNoState, onlyNotes, takesNone, map[workshop.Slug]string{
		"wrong-kind-of-thing": "whatever has a code may be held",
	}),
}

var lifting = refusable{
	route: "/v1/holds/:id/lifts",
	ask: func(a *asked) {
		a.target = "/v1/holds/" + a.named(func() string { return a.s.hold(a.with...) }) + "/lifts"
		a.or(obj{"reason": "they called again"})
	},
	faults: []fault{
		inTheFuture, inPath("unknown-code", func(*asked) string { return someID.String() }), before(is("", isLate)),
		is("wrong-state", isSettled),
	},
	never: never(namesNoCode, onlyNotes, takesNone, map[workshop.Slug]string{
		"wrong-kind-of-thing": "an id is a hold's, or nothing's", "too-long-ago": "only owners lift, and they may write down what is long ago",
	}),
	spends: []string{"hold"},
}

var checking = refusable{
	route: "/v1/checks",
	ask: func(a *asked) {
		a.target = "/v1/checks"
		a.or(obj{"subject": a.s.ganache(1), "kind": "visual", "result": "pass"})
	},
	faults: faults(ofSubject("subject", events.KindGanache), []fault{alone(nobody("subject"))}),
	never: never(hasNoState, onlyNotes, takesNone, map[workshop.Slug]string{
		"wrong-kind-of-thing": "whatever has a code or a name may be checked",
	}),
}

var deciding = refusable{
	route: "/v1/deviations/:id/decisions",
	ask: func(a *asked) {
		a.target = "/v1/deviations/" + a.named(func() string { return a.s.deviation(a.with...) }) + "/decisions"
		a.or(obj{"decision": "accept", "reason": "only the looks"})
	},
	faults: faults([]fault{
		inPath("unknown-code", func(*asked) string { return someID.String() }), before(is("", isLate)),
		is("wrong-state", isSettled),
	}),
	never: never(namesNoCode, onlyNotes, takesNone, map[workshop.Slug]string{
		"wrong-kind-of-thing": "an id is a deviation's, or nothing's",
	}),
	spends: []string{"deviation"},
}

var redating = refusable{
	route: "/v1/redatings",
	ask: func(a *asked) {
		a.target = "/v1/redatings"
		a.or(obj{"code": a.s.ganache(1), "date": "2026-12-01", "reason": "smells"})
	},
	faults: faults(ofSubject("code", events.KindGanache), []fault{
		{slug: "wrong-kind-of-thing", put: func(a *asked) { a.body["code"] = a.s.charge }},
	}),
	never:  never(hasNoState, onlyNotes, takesNone),
	spends: []string{"ganache"},
}

var recalling = refusable{
	route: "/v1/recalls",
	ask: func(a *asked) {
		a.target = "/v1/recalls"
		a.or(obj{"reach": "contains", "reason": "the supplier called", "drill": true})
		if a.body["supplier"] == nil {
			a.or(obj{"code": a.s.ganache(1)})
		}
	},
	faults: faults(ofSubject("code", events.KindRun), []fault{
		{slug: "unknown-code", name: "of a supplier", alone: true, put: func(a *asked) {
			a.body["supplier"], a.body["supplier_lots"] = "nobody", []string{"X"}
			a.tell("unknown-code", obj{"name": "nobody"})
		}},
		{slug: "unknown-code", name: "of a delivery", alone: true, put: func(a *asked) {
			a.body["supplier"], a.body["supplier_lots"] = "example-dairy", []string{"nothing of that name"}
			a.tell("unknown-code", obj{"name": "nothing of that name"})
		}},
		{slug: "unknown-code", name: "of days", alone: true, put: func(a *asked) {
			a.body["supplier"], a.body["received_from"], a.body["received_to"] = "example-dairy", "2025-01-01", "2025-01-02"
			a.tell("unknown-code", obj{"name": "example-dairy"})
		}},
	}),
	never: never(hasNoState, onlyNotes, takesNone, map[workshop.Slug]string{
		"wrong-kind-of-thing": "whatever has a code may be recalled",
	}),
}

// ofRecall are what is wrong with the recall that the URL names.
func ofRecall() []fault {
	return []fault{
		inPath("unknown-code", func(*asked) string { return someID.String() }), before(is("", isLate)), is("wrong-state", isSettled),
	}
}

var narrowing = refusable{
	route: "/v1/recalls/:id/narrowings",
	ask: func(a *asked) {
		a.target = "/v1/recalls/" + a.named(func() string { return a.s.recall(a.with...) }) + "/narrowings"
		a.or(obj{"reason": "they called again"})
	},
	faults: faults(ofRecall()),
	never:  never(namesNoCode, onlyNotes, takesNone, map[workshop.Slug]string{"wrong-kind-of-thing": "an id is a recall's, or nothing's"}),
	spends: []string{"recall"},
}

var closing = refusable{
	route: "/v1/recalls/:id/closings",
	ask: func(a *asked) {
		a.target = "/v1/recalls/" + a.named(func() string { return a.s.recall(a.with...) }) + "/closings"
		a.or(obj{"reason": "all accounted for"})
		if a.body["decisions"] == nil {
			a.or(obj{"rest": "gone"})
		}
	},
	faults: faults(ofRecall(), []fault{
		alone(member("mistyped-code", "decisions", []obj{{"code": mistyped(events.KindRun, 0), "decision": "gone"}})),
		alone(member("unknown-code", "decisions", []obj{{"code": strange(events.KindRun, 0), "decision": "gone"}})),
		{slug: "wrong-state", name: "undecided", alone: true, put: func(a *asked) { a.body["decisions"] = []obj{{"code": a.s.lot("cream", 7), "decision": "gone"}} }},
	}),
	never:  never(onlyNotes, takesNone, map[workshop.Slug]string{"wrong-kind-of-thing": "an id is a recall's, or nothing's"}),
	spends: []string{"recall"},
}

var printing = refusable{
	route: "/v1/labels/:code/prints",
	ask: func(a *asked) {
		a.target = "/v1/labels/" + a.named(func() string { return a.s.ganache(2, a.with...) }) + "/prints"
		a.or(obj{"copies": 2})
	},
	faults: faults(urlOf(events.KindGanache, func(s *refusalShop) string { return s.charge }), []fault{before(is("", isLate))}),
	never:  never(hasNoState, onlyNotes, takesNone),
}
