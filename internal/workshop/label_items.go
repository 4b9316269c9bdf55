package workshop

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"firstout/internal/events"
)

// LabelItem is one entry of a list of ingredients. Percent is given of those that the design names (Art. 22), as it is
// printed.
type LabelItem struct {
	Ingredient string   `json:"ingredient"`
	Percent    *float64 `json:"percent,omitempty"`
	Text       []Span   `json:"text"`
}

// asUsed is what went into a thing of one ingredient.
type asUsed struct {
	mass      float64 // mg, as used for the finished food
	listed    bool    // more than a film or a trace out of a tank
	allergens []string
}

// leastWater is the share of the finished food up to which added water need not be listed (Annex VII, A 1).
const leastWater = 0.05

// labelItems lists the ingredients of a thing in descending order of weight as they were used (Art. 18(1)), each lot under
// its ingredient. What is there as a film or a trace only, out of a tank, is no ingredient: it may be contained.
func (s *Set) labelItems(code events.Code, mix Mix) []LabelItem {
	used, finished := s.used(code, mix)
	slugs := slices.DeleteFunc(slices.Collect(maps.Keys(used)), func(slug string) bool {
		little := s.isWater(slug) && used[slug].mass <= leastWater*finished
		return slug == "" || !used[slug].listed || little || s.isPackaging(slug)
	})
	slices.SortFunc(slugs, func(a, b string) int {
		return cmp.Or(cmp.Compare(used[b].mass, used[a].mass), strings.Compare(a, b))
	})
	quid := s.quid(code)
	items := make([]LabelItem, 0, len(slugs))
	for _, slug := range slugs {
		item := LabelItem{Ingredient: slug}
		if slices.Contains(quid, slug) && finished > 0 {
			percent := printedPercent(100 * used[slug].mass / finished)
			item.Percent = &percent
		}
		item.Text = s.itemText(slug, item.Percent, sortedSet(used[slug].allergens))
		items = append(items, item)
	}
	return items
}

// used sums what went into a thing by ingredient, in mg, and what the finished food weighs. Of a filling that lost water in
// cooking more went into the bowl than is in the piece; of its added water as much is left as the others do not make up.
func (s *Set) used(code events.Code, mix Mix) (used map[string]*asUsed, finished float64) {
	used = map[string]*asUsed{}
	if code.Kind() == events.KindBox {
		return used, s.usedInBox(used, s.Box(code))
	}
	whole := mix.Total()
	s.use(used, mix, 1, s.siteOf(code))
	switch code.Kind() {
	case events.KindRun:
		for ganache, mass := range s.Run(code).FilledOf {
			s.concentrate(used, s.Ganache(ganache), float64(mass))
		}
		return used, float64(whole)
	case events.KindGanache:
		left := float64(whole - s.Ganache(code).Evaporated)
		s.reduce(used, s.Ganache(code).Mix, 1, left)
		return used, left
	default:
		return used, float64(whole)
	}
}

// use adds a share of a mix.
func (s *Set) use(used map[string]*asUsed, mix Mix, share float64, site string) {
	whole, trace := mix.Total(), s.Defs.TraceAt(site)
	for _, p := range mix {
		slug := s.ingredientIn(p)
		if used[slug] == nil {
			used[slug] = &asUsed{}
		}
		used[slug].mass += share * float64(p.Mass)
		if p.Direct || p.Certain(whole, trace) {
			contains, _, _ := s.allergensOfPart(p)
			used[slug].listed = true
			used[slug].allergens = append(used[slug].allergens, contains...)
		}
	}
}

// concentrate corrects what a run had of a ganache: so much of the finished filling took more of what went into the bowl.
func (s *Set) concentrate(used map[string]*asUsed, ganache *Ganache, filled float64) {
	whole := float64(ganache.Mix.Total())
	left := whole - float64(ganache.Evaporated)
	if ganache.Evaporated == 0 || left <= 0 {
		return
	}
	counted, really := filled/whole, filled/left
	for _, p := range ganache.Mix {
		if slug := s.ingredientIn(p); used[slug] != nil {
			used[slug].mass += float64(p.Mass) * (really - counted)
		}
	}
	s.reduce(used, ganache.Mix, really, filled)
}

// reduce takes from the added water what boiled off: it is what is left of the finished mass beside the others.
func (s *Set) reduce(used map[string]*asUsed, mix Mix, scale, finished float64) {
	water, others, slug := 0.0, 0.0, ""
	for _, p := range mix {
		if in := s.ingredientIn(p); s.isWater(in) {
			water, slug = water+scale*float64(p.Mass), in
		} else {
			others += scale * float64(p.Mass)
		}
	}
	if slug != "" && used[slug] != nil {
		used[slug].mass -= water - min(water, max(0, finished-others))
	}
}

// ingredientIn is the ingredient of a part of a mix; empty where nobody knows.
func (s *Set) ingredientIn(p MixPart) string {
	if p.Lot != "" {
		if lot := s.Lot(p.Lot); lot != nil {
			return lot.Ingredient
		}
	}
	return p.Ingredient
}

// isWater says whether an ingredient is water and nothing else.
func (s *Set) isWater(slug string) bool {
	def := s.Defs.Ingredients.Latest(slug)
	if def == nil {
		return false
	}
	parts := compositionOf(def.Body)
	return parts["water"] >= 100 || parts == nil && def.Body.Untracked
}

func (s *Set) isPackaging(slug string) bool {
	def := s.Defs.Ingredients.Latest(slug)
	return def != nil && def.Body.Kind == kindPackaging
}

// quid names the ingredients whose percentage belongs on the label.
func (s *Set) quid(code events.Code) []string {
	var named []string
	for _, design := range s.labelDesigns(code) {
		named = append(named, design.Quid...)
	}
	return sortedSet(named)
}

// printedPercent rounds to a whole percent, below five to a tenth (from memory: the Commission's notice 2017/C 393/05 takes
// the nearest whole number, below 5 % the nearest half).
func printedPercent(percent float64) float64 {
	if percent < 5 {
		return math.Round(percent*10) / 10
	}
	return math.Round(percent)
}

// itemText is an ingredient as the list says it: its name, its percentage, its own ingredients in brackets (Annex VII, E),
// and every allergen in it named and set apart. One that its own words do not name is added.
func (s *Set) itemText(slug string, percent *float64, allergens []string) []Span {
	text, consists := s.ingredientName(slug), ""
	if def := s.Defs.Ingredients.Latest(slug); def != nil {
		consists = def.Body.Consists
	}
	if percent != nil {
		text += fmt.Sprintf(" %g %%", *percent)
	}
	if consists != "" {
		text += " (" + consists
	}
	spans, named := emphasise(text, allergens)
	var absent []Span
	for _, code := range allergens {
		if named[code] {
			continue
		}
		if len(absent) > 0 {
			absent = append(absent, Span{Text: ", "})
		}
		absent = append(absent, Span{Text: allergenWord(code), Emphasised: true})
	}
	switch {
	case consists != "" && len(absent) > 0:
		spans = append(append(append(spans, Span{Text: "; contains "}), absent...), Span{Text: ")"})
	case consists != "":
		spans = append(spans, Span{Text: ")"})
	case len(absent) > 0:
		spans = append(append(append(spans, Span{Text: " ("}), absent...), Span{Text: ")"})
	}
	return joinSpans(spans)
}

// joinItems is the list as it is printed.
func joinItems(items []LabelItem) []Span {
	list := []Span{}
	for i, item := range items {
		if i > 0 {
			list = append(list, Span{Text: ", "})
		}
		list = append(list, item.Text...)
	}
	return joinSpans(list)
}

// joinSpans makes one of neighbours that are set alike.
func joinSpans(spans []Span) []Span {
	joined := []Span{}
	for _, span := range spans {
		if last := len(joined) - 1; last >= 0 && joined[last].Emphasised == span.Emphasised {
			joined[last].Text += span.Text
		} else if span.Text != "" {
			joined = append(joined, span)
		}
	}
	return joined
}
