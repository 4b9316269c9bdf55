package workshop

import (
	"regexp"
	"slices"
	"strings"
)

// LabelAllergens are a thing's allergens in three grades, with the sentences for the two that are no ingredients. It never
// says that anything is absent.
type LabelAllergens struct {
	Contains   []string `json:"contains"`
	MayContain []string `json:"may_contain"`
	Handled    []string `json:"made_where_handled"`
	MayText    string   `json:"may_contain_text"`        // empty where there is none
	MadeText   string   `json:"made_where_handled_text"` // empty where there is none
}

func labelAllergens(a Allergens, handled []string) LabelAllergens {
	l := LabelAllergens{Contains: a.Contains, MayContain: a.MayContain, Handled: []string{}}
	for _, code := range handled {
		if !slices.Contains(l.Contains, code) && !slices.Contains(l.MayContain, code) {
			l.Handled = append(l.Handled, code)
		}
	}
	if len(l.MayContain) > 0 {
		l.MayText = "May contain " + andThen(allergenWords(l.MayContain)) + "."
	}
	if len(l.Handled) > 0 {
		l.MadeText = "Made where " + andThen(allergenWords(l.Handled)) + " are handled."
		if len(l.Handled) == 1 && !strings.HasSuffix(l.MadeText, "s are handled.") {
			l.MadeText = "Made where " + allergenWord(l.Handled[0]) + " is handled."
		}
	}
	return l
}

// handled lists the allergens that a site handles.
func (s *Set) handled(site string) []string {
	if def := s.Defs.Sites.Latest(site); def != nil {
		return def.Body.Handles
	}
	return nil
}

// allergenNames are the words by which a list of ingredients may name an allergen of Annex II; the first is ours. A plural
// of each is taken too.
var allergenNames = map[string][]string{
	"crustaceans": {"crustaceans", "crustacean"}, "eggs": {"egg"}, "fish": {"fish"}, "peanuts": {"peanuts", "peanut"},
	"soybeans": {"soya", "soybean", "soy"}, "milk": {"milk"}, "celery": {"celery"}, "mustard": {"mustard"}, "sesame": {"sesame"},
	"sulphites": {"sulphites", "sulphite", "sulphur dioxide"}, "lupin": {"lupin"}, "molluscs": {"molluscs", "mollusc"},
	"nuts:brazil": {"Brazil nuts", "Brazil nut"}, "nuts:macadamia": {"macadamia nuts", "macadamia", "Queensland nut"},
}

// namesOf are the words for an allergen: of a nut or a cereal its own name.
func namesOf(code string) []string {
	if names, listed := allergenNames[code]; listed {
		return names
	}
	group, name, named := strings.Cut(code, ":")
	switch {
	case group == "nuts" && named:
		return []string{name + "s", name}
	case named:
		return []string{name}
	}
	return []string{code}
}

func allergenWord(code string) string { return namesOf(code)[0] }

func allergenWords(codes []string) []string {
	words := make([]string, 0, len(codes))
	for _, code := range codes {
		words = append(words, allergenWord(code))
	}
	return words
}

// emphasise sets the words for some allergens in a text apart, and says which of them the text names. Whole words only:
// buttermilk is not milk.
func emphasise(text string, allergens []string) (spans []Span, named map[string]bool) {
	named = map[string]bool{}
	if len(allergens) == 0 {
		return []Span{{Text: text}}, named
	}
	var words []string
	of := map[string]string{}
	for _, code := range allergens {
		for _, name := range namesOf(code) {
			words = append(words, regexp.QuoteMeta(name))
			of[strings.ToLower(name)] = code
		}
	}
	slices.SortFunc(words, func(a, b string) int { return len(b) - len(a) })
	word := regexp.MustCompile(`(?i)(^|[^\pL\pN])((` + strings.Join(words, "|") + `)(?:e?s)?)($|[^\pL\pN])`)
	for {
		at := word.FindStringSubmatchIndex(text)
		if at == nil {
			return append(spans, Span{Text: text}), named
		}
		named[of[strings.ToLower(text[at[6]:at[7]])]] = true
		spans = append(spans, Span{Text: text[:at[4]]}, Span{Text: text[at[4]:at[5]], Emphasised: true})
		text = text[at[5]:]
	}
}
