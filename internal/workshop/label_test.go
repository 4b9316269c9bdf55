package workshop_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// marked writes spans with what is emphasised between stars.
func marked(spans []workshop.Span) string {
	var text strings.Builder
	for _, span := range spans {
		if span.Emphasised {
			text.WriteString("*" + span.Text + "*")
		} else {
			text.WriteString(span.Text)
		}
	}
	return text.String()
}

const ownMarked = "(cocoa mass, sugar, cocoa butter, emulsifier: lecithins (*soya*))"

const ownList = "cocoa mass, sugar, cocoa butter, emulsifier: lecithins (soya)"

// labelled is the shop's bench with words for labels.
func labelled(t *testing.T, change ...workshop.Define) bench {
	t.Helper()
	s := open(t)
	for _, define := range append([]workshop.Define{
		{Slug: "couverture-dark-60", Body: events.Ingredient{
			Name: "Dark couverture drops", LabelName: "dark chocolate", Consists: ownList, Kind: "couverture", Chocolate: "dark", Storage: "cool",
			Allergens: &[]string{"soybeans"}, MayContain: []string{"milk"},
		}},
		{Slug: "cream-35", Body: events.Ingredient{Name: "Cream 35 %", LabelName: "cream", Kind: "dairy", Storage: "chilled", OpenLifeDays: ptr(3), Allergens: &[]string{"milk"}}},
		{Slug: "blackcurrant-dome", Body: changed(blackcurrantDome(), func(d *events.Design) {
			d.LabelName, d.Quid, d.GTIN = "Filled dark chocolate, blackcurrant and bay", []string{"blackcurrant-puree"}, "9521234543213"
		})},
	}, change...) {
		s.do(define)
	}
	return s.bench()
}

// The run's 11.7 g are 5.2 g of chocolate and 6.5 g of a filling of 1200 g: cream 400, chocolate 520, purée 220, sugar 60.
// So in a piece: chocolate 5.2 + 2.817, cream 2.167, purée 1.192 (10.2 %), sugar 0.325. The order is Art. 18(1)'s of
// Regulation (EU) No 1169/2011, the emphasis Art. 21(1)(b)'s, the percentage Art. 22's, the brackets Annex VII, E's.
func TestAListOfIngredients(t *testing.T) {
	t.Parallel()
	b := labelled(t)
	l := b.set.Label(b.domes, 8)
	require.Equal(t, "Filled dark chocolate, blackcurrant and bay", l.Name)
	require.Equal(t, "dark chocolate (cocoa mass, sugar, cocoa butter, emulsifier: lecithins (*soya*)), cream (*milk*), Blackcurrant purée 10 %, Invert sugar", marked(l.List))
	require.Equal(t, []string{"milk", "soybeans"}, l.Allergens.Contains)
	require.Empty(t, l.Allergens.MayContain, "milk is in it already")
	require.Equal(t, "Made where hazelnuts are handled.", l.Allergens.MadeText)
	require.True(t, l.ForSale)
	require.Equal(t, "Lot "+string(b.domes), l.LotMark)
	require.Equal(t, "Use by 8 December 2026", l.Date.Text)
	require.Equal(t, "Use by 8 December", l.Date.Least.Text)
	require.False(t, l.Date.Least.NeedsLotMark)
	require.Equal(t, workshop.LabelStorage{Class: "cool", Text: "Keep cool and dry, at no more than 18 °C."}, l.Storage)
	require.Equal(t, "93.6 g", l.Net.Text)
	require.Equal(t, "11.7 g each, sold loose: price per 100 g", b.set.Label(b.domes, 0).Net.Text)
	require.Equal(t, "Example Chocolate Ltd", l.Operator)
	require.Equal(t, []string{"The site has no operator or no address: both belong on the label."}, l.Warnings)
	require.NotEmpty(t, l.Cautions)
	require.Equal(t, "09521234543213", l.GS1.GTIN)
	require.Equal(t, "010952123454321317261208"+"10"+string(b.domes), l.GS1.Element)
	require.Equal(t, "(01)09521234543213(17)261208(10)"+string(b.domes), l.GS1.Text)
	require.Equal(t, "https://id.gs1.org/01/09521234543213/10/"+string(b.domes)+"?17=261208", l.GS1.Link)
	require.Equal(t, l.Content, b.set.Label(b.domes, 0).Content, "how many are in the pack changes no content")
	for _, scanned := range []string{l.GS1.Element, l.GS1.Text, l.GS1.Link, "]Q3" + l.GS1.Element} {
		code, refusal := workshop.ParseCode(scanned)
		require.Nil(t, refusal)
		require.Equal(t, b.domes, code)
	}
	text, err := json.Marshal(l)
	require.NoError(t, err)
	require.NotContains(t, strings.ToLower(string(text)), "free")
}

// Every allergen that a thing contains stands emphasised in its list, whatever the ingredients' own words are.
func TestEveryAllergenIsEmphasised(t *testing.T) {
	t.Parallel()
	for list, wanted := range map[string]string{
		"":                                     "Paste (*milk*, *hazelnuts*)",
		"hazelnuts 60 %, sugar, MILK powder":   "Paste (*hazelnuts* 60 %, sugar, *MILK* powder)",
		"roasted hazelnut, buttermilk powder":  "Paste (roasted *hazelnut*, buttermilk powder; contains *milk*)",
		"milky hazelnut-cream, whole-milk, x":  "Paste (milky *hazelnut*-cream, whole-*milk*, x)",
		"lait entier, noisettes":               "Paste (lait entier, noisettes; contains *milk*, *hazelnuts*)",
		"milk, milk fat, milk proteins; hazel": "Paste (*milk*, *milk* fat, *milk* proteins; hazel; contains *hazelnuts*)",
	} {
		b := labelled(t, workshop.Define{Slug: "hazelnut-paste", Body: events.Ingredient{
			Name: "Paste", Consists: list, Kind: "nut", Storage: "cool", Allergens: &[]string{"nuts:hazelnut", "milk"},
		}})
		l := b.set.Label(b.paste, 0)
		require.Equal(t, wanted, marked(l.List), list)
		require.Equal(t, "lot", l.Kind)
		require.False(t, l.ForSale)
		require.Nil(t, l.Date.Least)
	}
}

// All fourteen of Annex II have a word of their own, which their own list item is found by.
func TestEveryAllergenHasAWord(t *testing.T) {
	t.Parallel()
	all := []string{
		"gluten:wheat", "gluten:spelt", "gluten:khorasan", "gluten:rye", "gluten:barley", "gluten:oats", "crustaceans", "eggs", "fish", "peanuts",
		"soybeans", "milk", "nuts:almond", "nuts:hazelnut", "nuts:walnut", "nuts:cashew", "nuts:pecan", "nuts:brazil", "nuts:pistachio", "nuts:macadamia",
		"celery", "mustard", "sesame", "sulphites", "lupin", "molluscs",
	}
	const list = "wheat flour, spelt, khorasan wheat, rye, barley malt, oats, crustaceans, egg yolk, fish, peanuts, soya lecithin, milk, almonds, hazelnuts, " +
		"walnut, cashews, pecans, Brazil nuts, pistachios, macadamias, celery, mustard, sesame seeds, sulphur dioxide, lupin, mollusc"
	b := labelled(t, workshop.Define{Slug: "hazelnut-paste", Body: events.Ingredient{Name: "All", Consists: list, Kind: "nut", Allergens: &all}})
	l := b.set.Label(b.paste, 0)
	require.NotContains(t, marked(l.List), "contains")
	emphasised := 0
	for _, span := range l.List {
		if span.Emphasised {
			emphasised++
		}
	}
	require.Equal(t, len(all)+1, emphasised, "wheat stands there twice")
	require.Len(t, l.Allergens.Contains, len(all))
}

// Of 300 g of water in 1200 g of a filling 60 g boil off. A piece of 11.7 g has 6.5 g of the 1140 g that are left: 6.5 x
// 400/1140 g of cream, 19.5 %, and 6.5 x 240/1140 g of water, 11.7 %. Where 250 g boil off the cream is 6.5 x 400/950 g, 23.4 %,
// and the water 6.5 x 50/950 g, 2.9 %: up to 5 % of the finished food it need not be listed (Annex VII, A 1).
func TestAddedWater(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		water, evaporated float64
		list              string
	}{
		{water: 300, evaporated: 60, list: "dark chocolate (…), cream 19 % (*milk*), Tap water, Blackcurrant purée"},
		{water: 300, evaporated: 250, list: "dark chocolate (…), cream 23 % (*milk*), Blackcurrant purée"},
		{water: 50, evaporated: 0, list: "dark chocolate (…), cream 23 % (*milk*), Blackcurrant purée"},
	} {
		s := labelled(t, workshop.Define{Slug: "blackcurrant-bay", Body: changed(blackcurrantBay(), func(f *events.Formula) {
			f.Inputs = []events.FormulaInput{
				{Ingredient: "cream-35", Quantity: g(400), Heated: true},
				{Ingredient: "couverture-dark-60", Quantity: g(300)},
				{Ingredient: "blackcurrant-puree", Quantity: g(200), Heated: true},
				{Ingredient: "water", Quantity: g(c.water), Heated: true},
			}
			f.TolerancePercent = ptr(50.0)
		})}, workshop.Define{Slug: "blackcurrant-dome", Body: changed(blackcurrantDome(), func(d *events.Design) { d.Quid = []string{"cream-35"} })})
		made := s.ganache(workshop.MakeGanache{
			Formula: "blackcurrant-bay", Place: "workshop", HeatStep: &events.HeatStep{Boiled: true}, Evaporated: g(c.evaporated),
			Inputs: []workshop.DrawLine{draw(s.cream, 400), draw(s.dark, 300), draw(s.puree, 200), {Ingredient: "water", Quantity: g(c.water)}},
		})
		run := s.run(moulding("blackcurrant-dome", made.Code))
		require.Equal(t, c.list, strings.ReplaceAll(marked(s.set.Label(run.Code, 0).List), ownMarked, "(…)"))
	}
}

func TestTheDateIsWordedAsAnnexXSays(t *testing.T) {
	t.Parallel()
	s := open(t)
	lots := s.stock()
	s.melt("vat-dark", draw(lots.dark, 5000))
	run := s.run(workshop.MakeRun{
		Design: "dark-drop", Mould: "dome-24", Moulds: 1, Place: "workshop", Casting: &workshop.ChocolateStep{Vat: "vat-dark"},
		TurnedOut: &workshop.TurnOut{Good: 24},
	})
	l := s.set.Label(run.Code, 0)
	require.Equal(t, "Best before 31 May 2027", l.Date.Text, "its chocolate's own date")
	require.Equal(t, workshop.LeastDate{Text: "Best before end May 2027", Through: day("2027-05-31"), NeedsLotMark: true}, *l.Date.Least, "more than 3 months, no more than 18")
}

// A print is kept on the thing; what is so afterwards is held against it, and a part starts without one.
func TestStaleLabels(t *testing.T) {
	t.Parallel()
	b := labelled(t)
	b.release(b.domes, 24)
	require.Empty(t, stale(b, b.domes, b.batch))
	printed := b.do(workshop.PrintLabel{Code: b.domes, Copies: 12}).(workshop.LabelPrinted).Printed
	require.Equal(t, 12, printed.Copies)
	require.Equal(t, []string{"milk", "soybeans"}, printed.Contains)
	require.Equal(t, printed.Content, b.set.Label(b.domes, 0).Content)
	require.Empty(t, stale(b, b.domes))
	b.do(workshop.Redate{Code: b.domes, Date: day("2026-12-01"), Reason: "dull"})
	found := stale(b, b.domes)
	require.Len(t, found, 1)
	require.Equal(t, []workshop.LabelChange{{What: "date", Old: "Use by 8 December 2026", New: "Use by 1 December 2026"}}, found[0].Changes)
	b.do(workshop.Define{Slug: "blackcurrant-puree", Body: events.Ingredient{Name: "Blackcurrant purée", Kind: "fruit", Storage: "chilled", OpenLifeDays: ptr(5), Allergens: &[]string{"sulphites"}}})
	b.do(workshop.Define{Slug: "blackcurrant-dome", Body: changed(blackcurrantDome(), func(d *events.Design) { d.Name = "Dome" })})
	found = stale(b, b.domes)
	require.Len(t, found[0].Changes, 3)
	require.Equal(t, workshop.LabelChange{What: "name", Old: "Filled dark chocolate, blackcurrant and bay", New: "Dome"}, found[0].Changes[0])
	require.Equal(t, workshop.LabelChange{What: "contains", Old: "milk and soya", New: "milk, soya and sulphites"}, found[0].Changes[2])
	b.do(workshop.PrintLabel{Code: b.domes, Copies: 12})
	require.Empty(t, stale(b, b.domes))

	part := b.do(workshop.Move{From: "counter", To: "freezer", Sealed: true, Lines: []workshop.HandledLine{{Code: b.domes, Pieces: 12}}}).(workshop.Moved).Lines[0].NewCode
	require.False(t, b.set.Label(part, 0).Defrosted)
	require.Equal(t, "Keep frozen, at -18 °C or below.", b.set.Label(part, 0).Storage.Text)
	require.Len(t, stale(b, part), 1)
	require.Nil(t, stale(b, part)[0].Printed)
	b.now = b.now.Add(48 * time.Hour)
	thawed := b.do(workshop.Move{From: "freezer", To: "counter", Lines: []workshop.HandledLine{{Code: part, Pieces: 12}}}).(workshop.Moved).Lines[0].NewCode
	require.True(t, b.set.Label(thawed, 0).Defrosted, "Annex VI, A 2")
	require.Equal(t, "Dome, defrosted", b.do(workshop.PrintLabel{Code: thawed, Copies: 1}).(workshop.LabelPrinted).Printed.Name)

	require.Equal(t, workshop.RefusedWrongKind, b.refuse(workshop.PrintLabel{Code: b.charge, Copies: 1}).Slug)
	require.Equal(t, workshop.RefusedUnknownCode, b.refuse(workshop.PrintLabel{Code: strange(events.KindRun), Copies: 1}).Slug)
}

func stale(b bench, codes ...events.Code) []workshop.StaleLabel { return b.set.StaleLabels(codes) }

// A print that is written down late does not take the place of one printed since.
func TestALatePrint(t *testing.T) {
	t.Parallel()
	b := labelled(t)
	b.now = b.now.Add(3 * time.Hour)
	b.do(workshop.PrintLabel{Code: b.domes, Copies: 3})
	early := b.now.Add(-time.Hour)
	b.do(workshop.PrintLabel{Code: b.domes, Copies: 9, Done: workshop.Done{OccurredAt: &early}})
	require.Equal(t, 3, b.set.Label(b.domes, 0).Printed.Copies)
}

func TestAProductNumberMustCheck(t *testing.T) {
	t.Parallel()
	s := open(t)
	require.Equal(t, workshop.RefusedInvalid, s.refuse(workshop.Define{Slug: "dark-drop", Body: events.Design{Name: "Dark drop", Chocolate: "dark", Shell: g(5), GTIN: "9521234543214"}}).Slug)
	require.Equal(t, workshop.RefusedUnknownCode, s.refuse(workshop.Define{Slug: "dark-drop", Body: events.Design{Name: "Dark drop", Chocolate: "dark", Shell: g(5), Quid: []string{"nobody"}}}).Slug)
	b := labelled(t, workshop.Define{Slug: "blackcurrant-dome", Body: changed(blackcurrantDome(), func(d *events.Design) { d.GTIN = "2307924402681" })})
	l := b.set.Label(b.domes, 0)
	require.Empty(t, l.GS1.Link)
	require.True(t, slices.ContainsFunc(l.Warnings, func(w string) bool { return strings.Contains(w, "outside the shop") }))
	b.do(workshop.Define{Slug: "blackcurrant-dome", Body: changed(blackcurrantDome(), func(d *events.Design) { d.GTIN = "99520497465075" })})
	require.Nil(t, b.set.Label(b.domes, 0).GS1, "a pack that carries its own weight, and none is said")
	require.Contains(t, b.set.Label(b.domes, 8).GS1.Text, "(3103)000093", "8 x 11.7 g")
}
