package workshop_test

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// A case of refusal: what is asked of the bench, and the facts that the answer must have.
type ask struct {
	name string
	ask  func(b *bench) (workshop.Command, workshop.Facts)
}

// Some of the commands, with nothing wrong but what is said.
func runOf(change func(b *bench, run *workshop.MakeRun)) func(b *bench) (workshop.Command, workshop.Facts) {
	return func(b *bench) (workshop.Command, workshop.Facts) {
		cmd := moulding("blackcurrant-dome", b.batch)
		change(b, &cmd)
		return cmd, nil
	}
}

func step(b *bench, change func(run *workshop.MakeRun)) workshop.MakeRun {
	started := b.run(workshop.MakeRun{Design: "blackcurrant-dome", Mould: "dome-24", Moulds: 1, Place: "workshop"}).Code
	cmd := workshop.MakeRun{Run: started}
	change(&cmd)
	return cmd
}

func release(run events.Code, pieces int) workshop.Release {
	return workshop.Release{Run: run, Pieces: pieces, Place: "counter"}
}

func taster(lines ...workshop.PieceLine) workshop.Give {
	return workshop.Give{Place: "counter", Lines: lines}
}

func pieces(code events.Code, n int) []workshop.HandledLine {
	return []workshop.HandledLine{{Code: code, Pieces: n}}
}

func grams(code events.Code, n float64) []workshop.HandledLine {
	return []workshop.HandledLine{{Code: code, Quantity: g(n)}}
}

func discard(lines []workshop.HandledLine) workshop.Discard {
	return workshop.Discard{Place: "workshop", Reason: "damaged", Destination: "refuse", Lines: lines}
}

func move(lines []workshop.HandledLine) workshop.Move {
	return workshop.Move{From: "workshop", To: "counter", Lines: lines}
}

func count(lines []workshop.HandledLine) workshop.Count {
	return workshop.Count{Place: "workshop", Lines: lines}
}

// of makes a case that needs nothing prepared.
func of(cmd workshop.Command, facts workshop.Facts) func(*bench) (workshop.Command, workshop.Facts) {
	return func(*bench) (workshop.Command, workshop.Facts) { return cmd, facts }
}

// with makes a case of a command that names what is on the bench.
func with(cmd func(b *bench) workshop.Command, facts func(b *bench) workshop.Facts) func(*bench) (workshop.Command, workshop.Facts) {
	return func(b *bench) (workshop.Command, workshop.Facts) {
		c := cmd(b)
		if facts == nil {
			return c, nil
		}
		return c, facts(b)
	}
}

// everyCommand is each command as it would be accepted on the bench, with the codes that it names.
func everyCommand(b *bench) map[string]workshop.Command {
	hold := b.hold(b.paste, false)
	failed := b.do(workshop.Check{Code: b.domes, Kind: "visual", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	b.do(release(b.domes, 10))
	return map[string]workshop.Command{
		"receive":  delivery("cream-35", 1, useBy("2026-12-04")),
		"open":     workshop.Open{Lot: b.cream, Quantity: g(1)},
		"melt":     workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.dark, 1)}},
		"empty":    workshop.Empty{Vat: "vat-dark", Rest: "discard"},
		"ganache":  batch(b.inputs(b.charge)...),
		"run":      moulding("blackcurrant-dome", b.batch),
		"release":  release(b.domes, 1),
		"sale":     sale(byCode(b.domes, 1)),
		"taster":   taster(byCode(b.domes, 1)),
		"discard":  discard(pieces(b.domes, 1)),
		"move":     move(pieces(b.domes, 1)),
		"count":    count(pieces(b.domes, 1)),
		"hold":     workshop.PlaceHold{Code: b.domes, Reason: "?"},
		"lift":     workshop.LiftHold{Hold: hold.ID, Reason: "?"},
		"check":    workshop.Check{Code: b.domes, Kind: "visual", Result: "pass"},
		"decision": workshop.DecideDeviation{Deviation: failed.ID, Decision: "accept", Reason: "?"},
	}
}

// doneAt is a command with what it says of when it happened.
func doneAt(cmd workshop.Command, change func(*workshop.Done)) workshop.Command {
	copied := reflect.New(reflect.TypeOf(cmd)).Elem()
	copied.Set(reflect.ValueOf(cmd))
	change(copied.FieldByName("Done").Addr().Interface().(*workshop.Done))
	return copied.Interface().(workshop.Command)
}

// refusalsInOrder has a row for each refusal, in their order, with the commands to which it applies.
var refusalsInOrder = []struct {
	slug     workshop.Slug
	recorded bool // already_done records it instead
	asks     []ask
}{
	{"unknown-code", false, []ask{
		{"a delivery of an unknown ingredient", of(delivery("marzipan", 1, useBy("2026-12-04")), workshop.Facts{"name": "marzipan"})},
		{"a delivery from an unknown supplier", with(func(*bench) workshop.Command {
			cmd := delivery("cream-35", 1, useBy("2026-12-04"))
			cmd.Supplier = "nobody"
			return cmd
		}, func(*bench) workshop.Facts { return workshop.Facts{"name": "nobody"} })},
		{"a delivery to an unknown place", with(func(*bench) workshop.Command {
			cmd := delivery("cream-35", 1, useBy("2026-12-04"))
			cmd.Place = "attic"
			return cmd
		}, func(*bench) workshop.Facts { return workshop.Facts{"name": "attic"} })},
		{"opening", of(workshop.Open{Lot: strange('L'), Quantity: g(1)}, workshop.Facts{"code": strange('L')})},
		{"opening at an unknown place", with(func(b *bench) workshop.Command { return workshop.Open{Lot: b.cream, Place: "attic", Quantity: g(1)} }, nil)},
		{"melting a lot", of(workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(strange('L'), 1)}}, workshop.Facts{"code": strange('L')})},
		{"melting in a tank", of(workshop.Melt{Vat: "vat-white"}, workshop.Facts{"name": "vat-white"})},
		{"emptying", of(workshop.Empty{Vat: "vat-white", Rest: "discard"}, workshop.Facts{"name": "vat-white"})},
		{"emptying into a block", of(workshop.Empty{Vat: "vat-dark", Rest: "block", Place: "attic"}, workshop.Facts{"name": "attic"})},
		{"a recipe", of(workshop.MakeGanache{Formula: "nothing", Place: "workshop"}, workshop.Facts{"name": "nothing"})},
		{"a ganache of a lot", of(batch(draw(strange('L'), 1)), workshop.Facts{"code": strange('L')})},
		{"a ganache of a ganache", of(batch(draw(strange('G'), 1)), workshop.Facts{"code": strange('G')})},
		{"a ganache of a charge", of(batch(draw(strange('C'), 1)), workshop.Facts{"code": strange('C')})},
		{"a ganache of an untracked ingredient", of(batch(workshop.DrawLine{Ingredient: "rain", Quantity: g(1)}), workshop.Facts{"name": "rain"})},
		{"a ganache picked with a tank", of(workshop.MakeGanache{Formula: "blackcurrant-bay", Place: "workshop", PickFefo: true, Vat: "vat-white"}, workshop.Facts{"name": "vat-white"})},
		{"a ganache at a place", of(workshop.MakeGanache{Formula: "blackcurrant-bay", Place: "attic"}, workshop.Facts{"name": "attic"})},
		{"a run of a design", runOf(func(_ *bench, run *workshop.MakeRun) { run.Design = "cube" })},
		{"a run in a mould", runOf(func(_ *bench, run *workshop.MakeRun) { run.Mould = "cube-9" })},
		{"a run at a place", runOf(func(_ *bench, run *workshop.MakeRun) { run.Place = "attic" })},
		{"a run cast from a tank", runOf(func(_ *bench, run *workshop.MakeRun) { run.Casting.Vat = "vat-white" })},
		{"a run filled", runOf(func(_ *bench, run *workshop.MakeRun) { run.Filling[0].Source = strange('G') })},
		{"a run decorated", runOf(func(_ *bench, run *workshop.MakeRun) {
			run.Decorations = []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: strange('L')}}}}
		})},
		{"a run turned out to a place", runOf(func(_ *bench, run *workshop.MakeRun) { run.TurnedOut.Place = "attic" })},
		{"shells back into a tank", runOf(func(_ *bench, run *workshop.MakeRun) {
			run.TurnedOut = &workshop.TurnOut{Unfilled: 1, UnfilledTo: "vat-white"}
		})},
		{"going on with a run", of(workshop.MakeRun{Run: strange('R')}, workshop.Facts{"code": strange('R')})},
		{"a release", of(release(strange('R'), 1), workshop.Facts{"code": strange('R')})},
		{"a release to a place", with(func(b *bench) workshop.Command { return workshop.Release{Run: b.domes, Pieces: 1, Place: "attic"} }, nil)},
		{"a sale by code", of(sale(byCode(strange('R'), 1)), workshop.Facts{"code": strange('R')})},
		{"a sale by design", of(sale(byDesign("cube", 1)), workshop.Facts{"name": "cube"})},
		{"a sale to a buyer", of(workshop.Sell{Place: "counter", Buyer: "nobody"}, workshop.Facts{"name": "nobody"})},
		{"a sale at a place", of(workshop.Sell{Place: "attic", Lines: []workshop.PieceLine{byDesign("dark-drop", 1)}}, workshop.Facts{"name": "attic"})},
		{"a taster by code", of(taster(byCode(strange('R'), 1)), nil)},
		{"a taster by design, straight from the mould", of(workshop.Give{Place: "workshop", Release: true, Lines: []workshop.PieceLine{byDesign("cube", 1)}}, nil)},
		{"a discard", of(discard(pieces(strange('R'), 1)), nil)},
		{"a discard from a tank", of(workshop.Discard{Lines: grams(strange('C'), 1), Reason: "damaged", Destination: "refuse"}, nil)},
		{"a move", of(move(grams(strange('L'), 1)), nil)},
		{"a move from a tank", of(move(grams(strange('C'), 1)), nil)},
		{"a move to a place", with(func(b *bench) workshop.Command {
			return workshop.Move{From: "workshop", To: "attic", Lines: pieces(b.domes, 1)}
		}, nil)},
		{"a count", of(count(pieces(strange('R'), 1)), nil)},
		{"a hold", of(workshop.PlaceHold{Code: strange('G'), Reason: "?"}, workshop.Facts{"code": strange('G')})},
		{"a hold of a box", of(workshop.PlaceHold{Code: strange('B'), Reason: "?"}, workshop.Facts{"code": strange('B')})},
		{"a lift", of(workshop.LiftHold{Hold: uuid.Nil, Reason: "?"}, workshop.Facts{"hold": uuid.Nil})},
		{"a check of a code", of(workshop.Check{Code: strange('R'), Kind: "visual", Result: "pass"}, nil)},
		{"a check of a place", of(workshop.Check{Slug: "attic", Kind: "visual", Result: "pass"}, nil)},
		{"a decision", of(workshop.DecideDeviation{Deviation: uuid.Nil, Decision: "accept", Reason: "?"}, workshop.Facts{"deviation": uuid.Nil})},
	}},
	{"wrong-kind-of-thing", false, []ask{
		{"a delivery of water", of(delivery("water", 1, events.DateMark{Kind: "none"}), nil)},
		{"opening a portion", with(func(b *bench) workshop.Command { return workshop.Open{Lot: b.cream.Part(1), Quantity: g(1)} }, nil)},
		{"opening a run", with(func(b *bench) workshop.Command { return workshop.Open{Lot: b.domes, Quantity: g(1)} }, nil)},
		{"melting a ganache", with(func(b *bench) workshop.Command {
			return workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.batch, 1)}}
		}, nil)},
		{"melting a run", with(func(b *bench) workshop.Command {
			return workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.domes, 1)}}
		}, nil)},
		{"melting cream", with(func(b *bench) workshop.Command {
			return workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.cream, 1)}}
		}, nil)},
		{"a ganache of a run", with(func(b *bench) workshop.Command { return batch(draw(b.domes, 1)) }, nil)},
		{"a ganache of an ingredient that comes in lots", of(batch(workshop.DrawLine{Ingredient: "cream-35", Quantity: g(1)}), nil)},
		{"a draw from what stands in two places", func(b *bench) (workshop.Command, workshop.Facts) {
			b.do(workshop.Move{From: "workshop", To: "cold-room", Lines: grams(b.sugar, 10)})
			return batch(draw(b.sugar, 1)), workshop.Facts{"places": []string{"cold-room", "workshop"}}
		}},
		{"filling a run with a run", runOf(func(b *bench, run *workshop.MakeRun) {
			run.Filling[0].Source, run.Filling[0].Quantity = b.domes, ptr(g(1))
		})},
		{"going on with a part of a run", with(func(b *bench) workshop.Command { return workshop.MakeRun{Run: b.domes.Part(1)} }, nil)},
		{"releasing a lot", with(func(b *bench) workshop.Command { return release(b.cream, 1) }, nil)},
		{"selling a lot", with(func(b *bench) workshop.Command { return sale(byCode(b.cream, 1)) }, nil)},
		{"selling where nothing is sold", of(workshop.Sell{Place: "workshop", Lines: []workshop.PieceLine{byDesign("blackcurrant-dome", 1)}}, workshop.Facts{"place": "workshop"})},
		{"giving a ganache", with(func(b *bench) workshop.Command { return taster(byCode(b.batch, 1)) }, nil)},
		{"discarding grams of a run", with(func(b *bench) workshop.Command { return discard(grams(b.domes, 1)) }, nil)},
		{"moving pieces of a lot", with(func(b *bench) workshop.Command { return move(pieces(b.dark, 1)) }, nil)},
		{"moving what is in a tank", with(func(b *bench) workshop.Command { return move(grams(b.charge, 1)) }, nil)},
		{"counting what is in a tank", with(func(b *bench) workshop.Command { return count(grams(b.charge, 1)) }, nil)},
		{"counting grams of a run", with(func(b *bench) workshop.Command { return count(grams(b.domes, 1)) }, nil)},
	}},
	{"in-the-future", false, inTime(append(namesACode, "receive"), func(b *bench) time.Time { return b.now.Add(5*time.Minute + time.Second) })},
	{"too-long-ago", false, inTime(append(namesACode, "receive"), func(b *bench) time.Time { return b.now.AddDate(0, 0, -31).Add(-time.Second) })},
	{"before-it-existed", false, inTime(namesACode, func(b *bench) time.Time { return b.now.Add(-time.Second) })},
	{"wrong-state", false, []ask{
		{"more into a tank than it holds", func(b *bench) (workshop.Command, workshop.Facts) {
			more := b.receive("couverture-dark-60", 20000, bestBefore("2027-05-31"))
			return workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(more, 15000)}},
				workshop.Facts{"capacity_g": g(24000), "would_hold_g": b.set.Charge(b.charge).Mix.Total() + g(15000)}
		}},
		{"emptying an empty tank", of(workshop.Empty{Vat: "vat-milk", Rest: "discard"}, workshop.Facts{"vat": "vat-milk"})},
		{"more out of the bowl than went in", with(func(b *bench) workshop.Command {
			cmd := batch(b.inputs(b.charge)...)
			cmd.Yield = ptr(g(1201))
			return cmd
		}, func(*bench) workshop.Facts { return workshop.Facts{"in_g": g(1200), "yield_g": g(1201)} })},
		{"more scraped back than drawn", runOf(func(_ *bench, run *workshop.MakeRun) {
			run.Casting.Drawn, run.Casting.Returned = ptr(g(100)), ptr(g(101))
		})},
		{"casting twice", with(func(b *bench) workshop.Command {
			return workshop.MakeRun{Run: b.domes, Casting: &workshop.ChocolateStep{Vat: "vat-dark"}}
		}, func(b *bench) workshop.Facts { return workshop.Facts{"run": b.domes, "state": "turned_out"} })},
		{"filling what is not cast", with(func(b *bench) workshop.Command {
			return step(b, func(run *workshop.MakeRun) { run.Filling = []workshop.FillingStep{{Source: b.batch}} })
		}, nil)},
		{"filling what is capped", with(func(b *bench) workshop.Command {
			return workshop.MakeRun{Run: b.domes, Filling: []workshop.FillingStep{{Source: b.batch}}}
		}, nil)},
		{"filling with what the design does not have", runOf(func(b *bench, run *workshop.MakeRun) { run.Filling[0].Source = b.paste })},
		{"capping what is not cast", with(func(b *bench) workshop.Command {
			return step(b, func(run *workshop.MakeRun) { run.Capping = &workshop.ChocolateStep{Vat: "vat-dark"} })
		}, nil)},
		{"decorating before casting what is cast", with(func(b *bench) workshop.Command {
			return workshop.MakeRun{Run: b.domes, Decorations: []workshop.DecorationStep{{Stage: "before_casting", Inputs: []workshop.DecorationInput{{Source: b.violet, Quantity: ptr(g(1))}}}}}
		}, nil)},
		{"decorating after capping what is not capped", with(func(b *bench) workshop.Command {
			return step(b, func(run *workshop.MakeRun) {
				run.Decorations = []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: b.paste, Quantity: ptr(g(1))}}}}
			})
		}, nil)},
		{"turning out what is not cast", with(func(b *bench) workshop.Command {
			return step(b, func(run *workshop.MakeRun) { run.TurnedOut = &workshop.TurnOut{Good: 1} })
		}, nil)},
		{"turning out more than was cast", runOf(func(_ *bench, run *workshop.MakeRun) { run.TurnedOut.Eaten = 1 })},
		{"shells back into a tank with nothing in it", runOf(func(_ *bench, run *workshop.MakeRun) {
			run.TurnedOut = &workshop.TurnOut{Unfilled: 1, UnfilledTo: "vat-milk"}
		})},
		{"releasing more than good", with(func(b *bench) workshop.Command { return release(b.domes, 25) },
			func(b *bench) workshop.Facts { return workshop.Facts{"wanted": 25, "available": 24, "run": b.domes} })},
		{"lifting twice", func(b *bench) (workshop.Command, workshop.Facts) {
			hold := b.hold(b.cream, false)
			b.lift(hold.ID)
			return workshop.LiftHold{Hold: hold.ID, Reason: "?"}, workshop.Facts{"hold": hold.ID}
		}},
		{"deciding twice", func(b *bench) (workshop.Command, workshop.Facts) {
			cmd := everyCommand(b)["decision"]
			b.do(cmd)
			return cmd, nil
		}},
	}},
	{"on-hold", true, []ask{
		{"opening", held(func(b *bench) (events.Code, workshop.Command) {
			return b.cream, workshop.Open{Lot: b.cream, Quantity: g(1)}
		})},
		{"melting", held(func(b *bench) (events.Code, workshop.Command) {
			return b.dark, workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.dark, 1)}}
		})},
		{"a ganache of a lot", held(func(b *bench) (events.Code, workshop.Command) { return b.sugar, batch(b.inputs(b.charge)...) })},
		{"a ganache of a charge", held(func(b *bench) (events.Code, workshop.Command) { return b.charge, batch(b.inputs(b.charge)...) })},
		{"casting", held(func(b *bench) (events.Code, workshop.Command) { return b.charge, moulding("dark-drop") })},
		{"filling", held(func(b *bench) (events.Code, workshop.Command) { return b.batch, moulding("blackcurrant-dome", b.batch) })},
		{"capping", held(func(b *bench) (events.Code, workshop.Command) {
			cast := b.run(workshop.MakeRun{Design: "dark-drop", Mould: "dome-24", Moulds: 1, Place: "workshop", Casting: &workshop.ChocolateStep{Vat: "vat-dark"}}).Code
			return b.charge, workshop.MakeRun{Run: cast, Capping: &workshop.ChocolateStep{Vat: "vat-dark", Drawn: ptr(g(1))}}
		})},
		{"decorating", held(func(b *bench) (events.Code, workshop.Command) {
			return b.violet, workshop.MakeRun{Design: "violet-dome", Mould: "dome-24", Moulds: 1, Place: "workshop", Decorations: []workshop.DecorationStep{
				{Stage: "before_casting", Inputs: []workshop.DecorationInput{{Source: b.violet}}},
			}}
		})},
		{"releasing", held(func(b *bench) (events.Code, workshop.Command) { return b.domes, release(b.domes, 1) })},
		{"selling by code", held(func(b *bench) (events.Code, workshop.Command) {
			b.release(b.domes, 10)
			return b.domes, sale(byCode(b.domes, 1))
		})},
		{"selling by design, what is held would cover it", func(b *bench) (workshop.Command, workshop.Facts) {
			b.release(b.domes, 10)
			other := b.domesOf("2026-11-25T12:00:00Z", 5)
			b.hold(other, false)
			return sale(byDesign("blackcurrant-dome", 15)), workshop.Facts{"wanted": 15, "available": 10, "unit": "pieces", "place": "counter"}
		}},
		{"giving", held(func(b *bench) (events.Code, workshop.Command) {
			b.release(b.domes, 10)
			return b.domes, taster(byCode(b.domes, 1))
		})},
		{"giving straight from the mould", held(func(b *bench) (events.Code, workshop.Command) {
			return b.domes, workshop.Give{Place: "workshop", Release: true, Lines: []workshop.PieceLine{byCode(b.domes, 1)}}
		})},
	}},
	{"past-date", true, []ask{
		{"opening", past("2026-12-05T00:00:00Z", func(b *bench) workshop.Command { return workshop.Open{Lot: b.cream, Quantity: g(1)} })},
		{"a ganache", past("2026-12-05T00:00:00Z", func(b *bench) workshop.Command { return batch(b.inputs(b.charge)...) })},
		{"filling", past("2026-12-09T00:00:00Z", func(b *bench) workshop.Command { return moulding("blackcurrant-dome", b.batch) })},
		{"decorating", past("2026-12-05T00:00:00Z", func(b *bench) workshop.Command {
			return workshop.MakeRun{Run: b.domes, Decorations: []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: b.cream, Quantity: ptr(g(1))}}}}}
		})},
		{"releasing", past("2026-12-09T00:00:00Z", func(b *bench) workshop.Command { return release(b.domes, 1) })},
		{"selling by code", past("2026-12-09T00:00:00Z", func(b *bench) workshop.Command {
			b.release(b.domes, 10)
			return sale(byCode(b.domes, 1))
		})},
		{"selling by design, what is past would cover it", func(b *bench) (workshop.Command, workshop.Facts) {
			b.release(b.domes, 10)
			other := b.domesOf("2026-11-30T12:00:00Z", 5)
			third := b.domesOf("2026-12-01T12:00:00Z", 3)
			b.hold(third, false) // held pieces are counted first, and are not enough
			require.NotEqual(b.t, other, third)
			b.now = at("2026-12-09T00:00:00Z")
			return sale(byDesign("blackcurrant-dome", 18)), workshop.Facts{"wanted": 18, "available": 5, "unit": "pieces", "place": "counter"}
		}},
		{"giving", past("2026-12-09T00:00:00Z", func(b *bench) workshop.Command {
			b.release(b.domes, 10)
			return taster(byDesign("blackcurrant-dome", 1))
		})},
	}},
	{"not-released", true, []ask{
		{"selling by code", func(b *bench) (workshop.Command, workshop.Facts) {
			b.do(move(pieces(b.domes, 10)))
			return sale(byCode(b.domes, 10)), workshop.Facts{"code": b.domes}
		}},
		{"selling by design, what waits would cover it", func(b *bench) (workshop.Command, workshop.Facts) {
			b.do(move(pieces(b.domes, 10)))
			b.release(b.domes, 4)
			return sale(byDesign("blackcurrant-dome", 5)), workshop.Facts{"wanted": 5, "available": 4, "unit": "pieces", "place": "counter"}
		}},
		{"selling before the release", func(b *bench) (workshop.Command, workshop.Facts) {
			b.now = at("2026-11-25T12:00:00Z")
			b.release(b.domes, 10)
			cmd := sale(byCode(b.domes, 5))
			cmd.Done = done("2026-11-25T11:00:00Z")
			return cmd, workshop.Facts{"code": b.domes}
		}},
		{"giving", with(func(*bench) workshop.Command {
			return workshop.Give{Place: "workshop", Lines: []workshop.PieceLine{byDesign("blackcurrant-dome", 24)}}
		}, nil)},
	}},
	{"wrong-chocolate", true, []ask{
		{"melting", with(func(b *bench) workshop.Command {
			return workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.milk, 1)}}
		}, func(*bench) workshop.Facts { return workshop.Facts{"chocolate": "milk", "vat": "dark"} })},
		{"casting", func(b *bench) (workshop.Command, workshop.Facts) {
			b.melt("vat-milk", draw(b.milk, 2000))
			cmd := moulding("blackcurrant-dome", b.batch)
			cmd.Casting.Vat = "vat-milk"
			return cmd, workshop.Facts{"vat": "vat-milk", "chocolate": "milk", "design": "dark"}
		}},
		{"capping", func(b *bench) (workshop.Command, workshop.Facts) {
			b.melt("vat-milk", draw(b.milk, 2000))
			cmd := moulding("blackcurrant-dome", b.batch)
			cmd.Capping.Vat = "vat-milk"
			return cmd, nil
		}},
	}},
	{"undecided-deviation", true, []ask{
		{"releasing", with(func(b *bench) workshop.Command {
			b.do(workshop.Check{Code: b.domes, Kind: "metal", Result: "fail"})
			return release(b.domes, 1)
		}, nil)},
		{"releasing, the filling's", func(b *bench) (workshop.Command, workshop.Facts) {
			d := b.do(workshop.Check{Code: b.batch, Kind: "metal", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
			return release(b.domes, 1), workshop.Facts{"deviations": []string{d.ID.String()}}
		}},
		{"giving straight from the mould", with(func(b *bench) workshop.Command {
			b.do(workshop.Check{Code: b.domes, Kind: "metal", Result: "fail"})
			return workshop.Give{Place: "workshop", Release: true, Lines: []workshop.PieceLine{byCode(b.domes, 1)}}
		}, nil)},
	}},
	{"allergens-unknown", false, []ask{
		{"releasing", func(b *bench) (workshop.Command, workshop.Facts) {
			crumb := b.receive("biscuit-crumb", 100, events.DateMark{Kind: "none"})
			run := b.run(workshop.MakeRun{Run: b.domes, Decorations: []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: crumb, Quantity: ptr(g(1))}}}}})
			return release(run.Code, 1), workshop.Facts{"lots": []events.Code{crumb}}
		}},
	}},
	{"allergen-not-on-label", true, []ask{
		{"releasing what a lot carries beyond its ingredient", func(b *bench) (workshop.Command, workshop.Facts) {
			cmd := delivery("cream-35", 1000, useBy("2026-12-04"))
			cmd.Allergens = &[]string{"milk", "eggs"}
			lines := b.inputs(b.charge)
			lines[0].Source = b.do(cmd).(*workshop.Lot).Code
			run := b.run(moulding("blackcurrant-dome", b.ganache(batch(lines...)).Code))
			return release(run.Code, 1), workshop.Facts{"allergens": []string{"eggs"}}
		}},
		{"releasing what is put on beyond the design", func(b *bench) (workshop.Command, workshop.Facts) {
			b.run(workshop.MakeRun{Run: b.domes, Decorations: []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: b.paste, Quantity: ptr(g(1))}}}}})
			return release(b.domes, 1), workshop.Facts{"allergens": []string{"nuts:hazelnut"}}
		}},
	}},
	{"no-whole-day", true, []ask{
		{"releasing what has no date", func(b *bench) (workshop.Command, workshop.Facts) {
			b.do(workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), func(f *events.Formula) { f.Assessment, f.Measured = nil, nil })})
			run := b.run(moulding("blackcurrant-dome", b.ganache(batch(b.inputs(b.charge)...)).Code))
			return release(run.Code, 1), workshop.Facts{"class": (*string)(nil)}
		}},
		{"releasing to the cool what keeps chilled", func(b *bench) (workshop.Command, workshop.Facts) {
			b.do(workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), func(f *events.Formula) {
				f.Storage, f.Assessment.Days = "chilled", map[string]int{"chilled": 21}
			})})
			run := b.run(moulding("blackcurrant-dome", b.ganache(batch(b.inputs(b.charge)...)).Code))
			return release(run.Code, 1), workshop.Facts{"class": ptr("chilled")}
		}},
	}},
	{"not-enough", true, []ask{
		{"opening", with(func(b *bench) workshop.Command { return workshop.Open{Lot: b.cream, Quantity: g(6000)} },
			func(*bench) workshop.Facts {
				return workshop.Facts{"wanted": g(6000), "available": g(5600), "unit": "g", "place": "cold-room"}
			})},
		{"opening where none stands", with(func(b *bench) workshop.Command { return workshop.Open{Lot: b.cream, Place: "counter", Quantity: g(1)} },
			func(*bench) workshop.Facts {
				return workshop.Facts{"wanted": g(1), "available": g(0), "place": "counter"}
			})},
		{"melting", with(func(b *bench) workshop.Command {
			return workshop.Melt{Vat: "vat-dark", Inputs: []workshop.DrawLine{draw(b.dark, 9000), draw(b.dark, 1001)}}
		}, func(*bench) workshop.Facts {
			return workshop.Facts{"wanted": g(1001), "available": g(1000), "unit": "g", "place": "workshop"}
		})},
		{"a ganache", with(func(b *bench) workshop.Command { return batch(draw(b.sugar, 2000)) },
			func(*bench) workshop.Facts {
				return workshop.Facts{"wanted": g(2000), "available": g(1940), "unit": "g", "place": "workshop"}
			})},
		{"a ganache of a charge", with(func(b *bench) workshop.Command { return batch(draw(b.charge, 10000)) },
			func(*bench) workshop.Facts { return workshop.Facts{"unit": "g", "place": "vat-dark"} })},
		{"a ganache picked", with(func(*bench) workshop.Command {
			return workshop.MakeGanache{Formula: "blackcurrant-bay", Place: "workshop", PickFefo: true, Scale: 15}
		}, func(*bench) workshop.Facts {
			return workshop.Facts{"wanted": g(6000), "available": g(5600), "unit": "g", "ingredient": "cream-35"}
		})},
		{"casting", with(func(b *bench) workshop.Command {
			cmd := moulding("blackcurrant-dome", b.batch)
			cmd.Casting.Drawn = ptr(g(9500))
			return cmd
		}, func(*bench) workshop.Facts {
			return workshop.Facts{"wanted": g(9500), "available": g(10000 - 520 - 5.2*24), "unit": "g", "place": "vat-dark"}
		})},
		{"filling", runOf(func(_ *bench, run *workshop.MakeRun) { run.Filling[0].Quantity = ptr(g(1100)) })},
		{"capping", runOf(func(_ *bench, run *workshop.MakeRun) { run.Capping.Drawn = ptr(g(9300)) })},
		{"decorating", with(func(b *bench) workshop.Command {
			return workshop.MakeRun{Run: b.domes, Decorations: []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: b.paste, Quantity: ptr(g(1001))}}}}}
		}, nil)},
		{"selling by code", func(b *bench) (workshop.Command, workshop.Facts) {
			b.release(b.domes, 10)
			return sale(byCode(b.domes, 11)), workshop.Facts{"wanted": 11, "available": 10, "unit": "pieces", "place": "counter"}
		}},
		{"selling by code before the pieces came here", func(b *bench) (workshop.Command, workshop.Facts) {
			b.do(workshop.Release{Run: b.domes, Pieces: 10, Place: "workshop"})
			b.now = at("2026-11-25T12:00:00Z")
			b.do(move(pieces(b.domes, 5)))
			cmd := sale(byCode(b.domes, 5))
			cmd.Done = done("2026-11-25T11:00:00Z")
			return cmd, workshop.Facts{"wanted": 5, "available": 0, "unit": "pieces", "place": "counter"}
		}},
		{"selling by design", func(b *bench) (workshop.Command, workshop.Facts) {
			b.release(b.domes, 10)
			b.hold(b.domesOf("2026-11-25T12:00:00Z", 5), false)
			return sale(byDesign("blackcurrant-dome", 16)), workshop.Facts{"wanted": 16, "available": 10, "unit": "pieces", "place": "counter"}
		}},
		{"giving", func(b *bench) (workshop.Command, workshop.Facts) {
			b.release(b.domes, 10)
			return taster(byDesign("blackcurrant-dome", 11)), workshop.Facts{"wanted": 11, "available": 10, "unit": "pieces", "place": "counter"}
		}},
		{"discarding pieces", with(func(b *bench) workshop.Command { return discard(pieces(b.domes, 25)) },
			func(*bench) workshop.Facts {
				return workshop.Facts{"wanted": 25, "available": int64(24), "unit": "pieces", "place": "workshop"}
			})},
		{"discarding from a tank", with(func(b *bench) workshop.Command {
			return workshop.Discard{Lines: grams(b.charge, 10000), Reason: "process_loss", Destination: "refuse"}
		}, func(b *bench) workshop.Facts {
			return workshop.Facts{"wanted": g(10000), "available": b.set.Charge(b.charge).Mix.Total(), "unit": "g", "place": "vat-dark"}
		})},
		{"moving", with(func(b *bench) workshop.Command { return move(pieces(b.domes, 25)) },
			func(*bench) workshop.Facts {
				return workshop.Facts{"wanted": 25, "available": int64(24), "unit": "pieces", "place": "workshop"}
			})},
		{"moving into the freezer", with(func(b *bench) workshop.Command {
			return workshop.Move{From: "workshop", To: "freezer", Lines: pieces(b.domes, 25)}
		}, nil)},
	}},
}

// namesACode is every command that names something that came to be, or was opened, at some time.
var namesACode = []string{
	"open", "melt", "empty", "ganache", "run", "release", "sale", "taster", "discard", "move", "count", "hold", "lift", "check", "decision",
}

// inTime makes a case of commands that are said to have happened at a moment, by one who is no owner.
func inTime(commands []string, when func(*bench) time.Time) []ask {
	var asks []ask
	for _, name := range commands {
		asks = append(asks, ask{name, func(b *bench) (workshop.Command, workshop.Facts) {
			cmd, moment := everyCommand(b)[name], when(b)
			b.as = maker
			return doneAt(cmd, func(d *workshop.Done) { d.OccurredAt = &moment }), nil
		}})
	}
	return asks
}

// held makes a case of a command that draws on a thing on hold.
func held(cmd func(b *bench) (events.Code, workshop.Command)) func(*bench) (workshop.Command, workshop.Facts) {
	return func(b *bench) (workshop.Command, workshop.Facts) {
		code, c := cmd(b)
		b.hold(code, false)
		return c, workshop.Facts{"code": code}
	}
}

// past makes a case of a command that comes too late.
func past(moment string, cmd func(b *bench) workshop.Command) func(*bench) (workshop.Command, workshop.Facts) {
	return func(b *bench) (workshop.Command, workshop.Facts) {
		c := cmd(b)
		b.now = at(moment)
		return c, nil
	}
}

func TestEveryRefusal(t *testing.T) {
	t.Parallel()
	var slugs []workshop.Slug
	for _, row := range refusalsInOrder {
		slugs = append(slugs, row.slug)
		for _, a := range row.asks {
			t.Run(string(row.slug)+"/"+a.name, func(t *testing.T) {
				t.Parallel()
				b, twin := newWorkshop(t).bench(), newWorkshop(t).bench()
				cmd, facts := a.ask(&b)
				_, _ = a.ask(&twin)
				refusal := b.refuse(cmd)
				require.Equal(t, row.slug, refusal.Slug, refusal.Detail)
				for name, want := range facts {
					require.Equal(t, want, refusal.Facts[name], name)
				}
				if fact := map[workshop.Slug]string{"in-the-future": "occurred_at", "too-long-ago": "occurred_at", "before-it-existed": "in_the_way"}[row.slug]; fact != "" {
					require.NotEmpty(t, refusal.Facts[fact])
				}
				twin.readyDownstream(cmd)
				require.True(t, reflect.DeepEqual(twin.set, b.set), "a refused command leaves no trace in the set")

				cmd = doneAt(cmd, func(d *workshop.Done) { d.AlreadyDone = true })
				if !row.recorded {
					require.Equal(t, row.slug, b.refuse(cmd).Slug, "already done, and refused all the same")
					return
				}
				b.do(cmd)
				require.Contains(t, brokenRules(b.recorded()), string(row.slug))
				deviation := last[events.DeviationOpened](b.shop)
				require.Equal(t, row.slug != "not-enough" && row.slug != "wrong-chocolate", deviation.Concern == "safety")
				b.checkBook()
			})
		}
	}
	slugs = append(slugs, workshop.RefusedAlreadyCorrected, workshop.RefusedStillUsed) // of corrections, which take a log
	require.Equal(t, workshop.Slugs[1:], slugs, "every refusal but that of a mistyped code, in their order")
}

// brokenRules lists what the events of a command say that they broke.
func brokenRules(recorded []events.Recorded) []string {
	var rules []string
	for _, r := range recorded {
		if field := reflect.ValueOf(r.Data).FieldByName("RuleBroken"); field.IsValid() {
			rules = append(rules, field.Interface().([]string)...)
		}
	}
	return rules
}

// What is longer ago than a month is the owner's to write down.
func TestTheOwnerMayWriteDownWhatIsLongAgo(t *testing.T) {
	t.Parallel()
	s := open(t)
	cmd := delivery("couverture-dark-60", 1000, bestBefore("2027-05-31"))
	cmd.Done = done("2026-10-01T10:00:00Z")
	require.Equal(t, "L261001-01", string(s.do(cmd).(*workshop.Lot).Code)[:10])
	s.as = maker
	cmd.Done = done("2026-10-25T10:00:01Z")
	s.do(cmd) // within the month
	cmd.Done = done("2026-11-25T10:05:00Z")
	s.do(cmd) // clocks differ a little
}

// ISO/IEC 7064 is checked where codes are made; here is what a typing error gets for an answer.
func TestAMistypedCodeIsRefusedBeforeAnythingIsLookedUp(t *testing.T) {
	t.Parallel()
	_, refusal := workshop.ParseCode("R261125-03-4")
	require.Equal(t, workshop.RefusedMistypedCode, refusal.Slug)
	require.Equal(t, workshop.Slugs[0], refusal.Slug)
	code, refusal := workshop.ParseCode("r261125 03 3")
	require.Nil(t, refusal)
	require.EqualValues(t, "R261125-03-3", code)
}

// faultyLines is a shop in which each of these lines of a sale at eleven has one fault, in the order of the refusals.
func faultyLines(t *testing.T) (b bench, lines []workshop.PieceLine, slugs []workshop.Slug) {
	b = newWorkshop(t).bench()
	b.do(workshop.Define{Slug: "short", Body: changed(blackcurrantBay(), func(f *events.Formula) { f.ShopLimitDays = map[string]int{"cool": 1} })})
	b.do(workshop.Define{Slug: "short-dome", Body: changed(blackcurrantDome(), func(d *events.Design) { d.Fillings[0].Formula = "short" })})
	short := batch(b.inputs(b.charge)...)
	short.Formula = "short"
	stale := b.run(moulding("short-dome", b.ganache(short).Code)).Code
	b.release(stale, 5)
	held, few := b.run(moulding("blackcurrant-dome", b.batch)).Code, b.run(moulding("blackcurrant-dome", b.batch)).Code
	b.release(held, 5)
	b.hold(held, false)
	b.release(few, 5)
	b.do(move(pieces(b.domes, 5)))
	b.now = at("2026-11-26T12:00:00Z")
	later := b.run(moulding("blackcurrant-dome", b.batch)).Code
	lines = []workshop.PieceLine{
		byCode(strange('R'), 1), byCode(b.cream, 1), byCode(later, 1), byCode(held, 1), byCode(stale, 1), byCode(b.domes, 1), byCode(few, 6),
	}
	return b, lines, []workshop.Slug{
		"unknown-code", "wrong-kind-of-thing", "before-it-existed", "on-hold", "past-date", "not-released", "not-enough",
	}
}

// The first refusal by the order of the slugs is told, over the whole request.
func TestTheOrderOfRefusalsIsThatOfTheirSlugs(t *testing.T) {
	t.Parallel()
	b, lines, slugs := faultyLines(t)
	for i := range lines {
		for j := i; j < len(lines); j++ {
			cmd := sale(lines[j], lines[i])
			cmd.Done = done("2026-11-26T11:00:00Z")
			require.Equal(t, slugs[i], b.refuse(cmd).Slug, "%s after %s", slugs[i], slugs[j])
			given := taster(lines[j], lines[i])
			given.Done = cmd.Done
			require.Equal(t, slugs[i], b.refuse(given).Slug, "%s after %s", slugs[i], slugs[j])
		}
	}
	all := slices.Clone(lines)
	slices.Reverse(all)
	cmd := sale(all...)
	cmd.OccurredAt = ptr(b.now.Add(time.Hour))
	cmd.Lines = cmd.Lines[:len(cmd.Lines)-2]
	require.EqualValues(t, "in-the-future", b.refuse(cmd).Slug)
	cmd.Place = "workshop"
	require.EqualValues(t, "wrong-kind-of-thing", b.refuse(cmd).Slug)
	cmd.Buyer = "nobody"
	require.EqualValues(t, "unknown-code", b.refuse(cmd).Slug)
}

// Of one slug the first line is told.
func TestTheOrderOfRefusalsIsThenThatOfTheLines(t *testing.T) {
	t.Parallel()
	b := newWorkshop(t).bench()
	refusal := b.refuse(sale(byDesign("blackcurrant-dome", 3), byCode(b.domes, 2), byDesign("dark-drop", 1)))
	require.Equal(t, workshop.Facts{"wanted": 3, "available": 0, "unit": "pieces", "place": "counter"}, refusal.Facts)
	refusal = b.refuse(batch(draw(b.sugar, 5000), draw(b.cream, 7000)))
	require.Equal(t, b.sugar, refusal.Facts["code"])
	refusal = b.refuse(discard([]workshop.HandledLine{{Code: b.sugar, Quantity: g(5000)}, {Code: b.domes, Pieces: 99}}))
	require.Equal(t, b.sugar, refusal.Facts["code"])
	refusal = b.refuse(move([]workshop.HandledLine{{Code: b.domes, Quantity: g(1)}, {Code: b.charge, Quantity: g(1)}}))
	require.Equal(t, b.domes, refusal.Facts["code"])
	require.EqualValues(t, "unknown-code", b.refuse(move([]workshop.HandledLine{{Code: b.charge, Quantity: g(1)}, {Code: strange('L'), Quantity: g(1)}})).Slug)
}

// The steps of a run in one request are weighed together, also when the first of them is refused.
func TestTheOrderOfRefusalsHoldsOverTheStepsOfARun(t *testing.T) {
	t.Parallel()
	b := newWorkshop(t).bench()
	b.hold(b.batch, false)
	cmd := moulding("blackcurrant-dome", b.batch)
	cmd.Casting.Drawn = ptr(g(9999))
	require.EqualValues(t, "on-hold", b.refuse(cmd).Slug, "casting lacks chocolate, but the filling is on hold")
	cmd.TurnedOut.Good = 25
	require.EqualValues(t, "wrong-state", b.refuse(cmd).Slug, "and more are turned out than cast")
	cmd.Filling[0].OccurredAt = ptr(at("2026-11-25T09:00:00Z"))
	require.EqualValues(t, "before-it-existed", b.refuse(cmd).Slug)
	cmd.Done = done("2026-11-25T11:00:00Z")
	require.EqualValues(t, "in-the-future", b.refuse(cmd).Slug)
	cmd.Decorations = []workshop.DecorationStep{{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: strange('L'), Quantity: ptr(g(1))}}}}
	require.EqualValues(t, "unknown-code", b.refuse(cmd).Slug)

	cmd = moulding("blackcurrant-dome", b.batch)
	cmd.Casting.Vat = "vat-milk" // the wrong chocolate, and none of it
	require.EqualValues(t, "on-hold", b.refuse(cmd).Slug)
	cmd.Filling = nil
	require.EqualValues(t, "wrong-chocolate", b.refuse(cmd).Slug)
	cmd.Done = already
	require.EqualValues(t, "not-enough", b.refuse(cmd).Slug, "the wrong chocolate may be written down, a draw from nothing may not")
}

// All that keeps pieces behind the gate, in its order.
func TestTheOrderOfRefusalsAtTheGate(t *testing.T) {
	t.Parallel()
	b := newWorkshop(t).bench()
	b.do(workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), func(f *events.Formula) { f.Assessment, f.Measured = nil, nil })})
	crumb := b.receive("biscuit-crumb", 100, events.DateMark{Kind: "none"})
	cmd := moulding("blackcurrant-dome", b.ganache(batch(b.inputs(b.charge)...)).Code)
	for _, source := range []events.Code{crumb, b.paste} {
		cmd.Decorations = append(cmd.Decorations, workshop.DecorationStep{Stage: "after_capping", Inputs: []workshop.DecorationInput{{Source: source, Quantity: ptr(g(2))}}})
	}
	run := b.run(cmd).Code
	failed := b.do(workshop.Check{Code: run, Kind: "metal", Result: "fail"}).(workshop.CheckAnswer).Deviations[0]
	hold := b.hold(run, false)
	b.now = at("2026-12-05T10:00:00Z")
	ask := release(run, 25)
	next := func(slug workshop.Slug, then func()) {
		t.Helper()
		require.Equal(t, slug, b.refuse(ask).Slug)
		then()
	}
	next("wrong-state", func() { ask.Pieces = 24 })
	next("on-hold", func() { b.lift(hold.ID) })
	next("past-date", func() { ask.Done = done("2026-11-26T10:00:00Z") })
	next("undecided-deviation", func() {
		b.do(workshop.DecideDeviation{Deviation: failed.ID, Decision: "accept", Reason: "a false alarm"})
	})
	next("allergens-unknown", func() {
		b.do(workshop.Define{Slug: "biscuit-crumb", Body: events.Ingredient{Name: "Biscuit crumb", Kind: "other", KeepsDays: ptr(90), Allergens: &[]string{"gluten:wheat"}}})
	})
	next("allergen-not-on-label", func() {
		b.do(workshop.Define{Slug: "blackcurrant-dome", Body: changed(blackcurrantDome(), func(d *events.Design) {
			d.Decorations = []events.DesignDecoration{{Ingredient: "hazelnut-paste"}, {Ingredient: "biscuit-crumb"}}
		})})
	})
	require.Equal(t, []events.Code{crumb}, b.set.Run(run).Allergens.Unknown)
	next("no-whole-day", func() { ask.Done = already })
	b.do(ask)
	require.Empty(t, b.set.Run(run).Allergens.Unknown, "as it is known at the gate")
	require.Contains(t, b.set.Run(run).Allergens.Contains, "gluten:wheat")
}

// A lot that carries more than its ingredient says trips the label; a new version of the ingredient clears it.
func TestANewVersionOfTheIngredientClearsTheLabel(t *testing.T) {
	t.Parallel()
	b := open(t).bench()
	cmd := delivery("cream-35", 1000, useBy("2026-12-04"))
	cmd.Allergens = &[]string{"milk", "eggs"}
	lines := b.inputs(b.charge)
	lines[0].Source = b.do(cmd).(*workshop.Lot).Code
	run := b.run(moulding("blackcurrant-dome", b.ganache(batch(lines...)).Code)).Code
	require.EqualValues(t, "allergen-not-on-label", b.refuse(release(run, 1)).Slug)
	b.do(workshop.Define{Slug: "cream-35", Body: events.Ingredient{
		Name: "Cream 35 %", Kind: "dairy", Storage: "chilled", OpenLifeDays: ptr(3), Allergens: &[]string{"eggs", "milk"},
	}})
	b.release(run, 1)
	require.Equal(t, []string{"eggs", "milk", "soybeans"}, b.set.Run(run).Allergens.Contains)
}
