package expiry

import (
	"fmt"
	"strings"
	"time"

	"firstout/internal/civil"
)

// Reasons says an answer in sentences that can be read aloud to an inspector: the date and what binds, every other limit,
// what would help, and the cautions. Times are those of the zone.
func (a Answer) Reasons(zone *time.Location) []string {
	sentences := []string{a.headline(zone)}
	rest := a.Limits
	if binding, bound := a.Binding(); bound {
		sentences[0] += " " + binding.sentence("What binds is", zone)
		rest = rest[1:]
	}
	for _, l := range rest {
		sentences = append(sentences, l.sentence("Beside it stands", zone))
	}
	if a.Instead != nil {
		sentences = append(sentences, *a.Instead)
	}
	for _, caution := range a.Cautions {
		sentences = append(sentences, strings.TrimSuffix(caution, ".")+".")
	}
	return sentences
}

func (a Answer) headline(zone *time.Location) string {
	words := map[string]string{KindUseBy: "Use by", KindBestBefore: "Best before"}[a.Kind]
	switch {
	case a.Binds == "":
		return "No date can be given yet."
	case a.Date != nil:
		return fmt.Sprintf("%s %s.", words, spoken(*a.Date))
	default:
		return fmt.Sprintf("No whole day is left: discard by %s on %s.", a.EndsBy.In(zone).Format("15:04"), spoken(civil.DayOf(a.EndsBy, zone)))
	}
}

// limitNames are the limits as they are said.
var limitNames = map[string]string{
	LimitIngredientUseBy:      "the use-by date of an ingredient",
	LimitOpenedIngredient:     "the time that an opened ingredient keeps",
	LimitPipingBag:            "the time in the piping bag",
	LimitShop:                 "the shop's own rule",
	LimitFoodSafetyCap:        "a rule of food safety",
	LimitAssessment:           "the assessment on record",
	LimitWaterActivityCap:     "the water activity",
	LimitIngredientBestBefore: "the best-before date of an ingredient",
	LimitFreezer:              "the time in and after the freezer",
}

// sentence says a limit, after the words that it begins with.
func (l Limit) sentence(begins string, zone *time.Location) string {
	said := begins + " " + limitNames[l.Name]
	if l.Subject != "" {
		said += ", " + l.Subject
	}
	said += ": " + l.Source
	if l.Date != nil {
		said += ", through " + spoken(*l.Date)
	} else {
		said += ", until " + l.At.In(zone).Format("15:04") + " on " + spoken(civil.DayOf(*l.At, zone))
	}
	if l.ReleasedBy != "" {
		said += "; it does not bind: " + releasedWords(l.ReleasedBy)
	}
	return said + "."
}

func releasedWords(by string) string {
	words, known := map[string]string{
		ReleasedByKind:    "it is about the quality of that ingredient alone",
		ReleasedByTrace:   "there is less than 0.1 % of it in its vat",
		ReleasedByFilling: "it was filled in time",
		ReleasedByFreezer: "its clock stands still in the freezer",
	}[by]
	if !known {
		return by + " stands in its place"
	}
	return words
}

func spoken(d civil.Day) string { return fmt.Sprintf("%d %s %d", d.Day, d.Month, d.Year) }
