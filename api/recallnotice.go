package api

import (
	"fmt"
	"slices"
	"strings"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// noticeOf drafts the notice of a recall: who recalls what, by which marks it is known, where it was sold and when, and what
// to do. A drill is marked as one on its first line. The checkpoint at its foot, if there is one, commits the shop to what its
// records said when it was drafted.
func noticeOf(found workshop.RecallAnswer, defs *workshop.Definitions, today civil.Day, checkpoint string) string {
	var text strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&text, format+"\n", args...) }
	if found.Recall.Opened.Drill {
		say("EXERCISE. THIS IS A DRILL: DO NOT PUBLISH.\n")
	}
	say("PRODUCT RECALL\n")
	if site := defs.Sites.Latest(found.Recall.Site); site != nil {
		say("%s", strings.Join(slices.DeleteFunc([]string{site.Body.Operator, site.Body.Name, site.Body.Address}, func(s string) bool { return s == "" }), ", "))
	}
	say("%s\n\nReason: %s\n\nPlease do not eat the following products:", today, found.Recall.Opened.Reason)
	for _, l := range found.Account.Lines {
		if k := l.Code.Kind(); k != events.KindRun && k != events.KindBox || l.Amounts.Sold+l.Amounts.Given+l.Amounts.OnHand == 0 {
			continue
		}
		say("\n  %s", l.Name)
		say("    Lot: %s", l.Code)
		if l.Date != nil {
			say("    %s: %s", map[bool]string{true: "Use by", false: "Best before"}[l.DateKind == "use_by"], l.Date)
		}
		if l.Certainty == workshop.ReachMayContain {
			say("    It may be affected.")
		}
		for _, sold := range soldAt(found.Account.Sales, l.Code, defs) {
			say("    Sold: %s", sold)
		}
	}
	say("\nWhere a date or lot mark is missing from a bag, take it as affected if it was bought where and when it says above.")
	say("Bring the products back to where you bought them, or throw them away. If you feel unwell, ask a doctor.")
	say("\nDraft made from the shop's records. Before it is published the maker checks it against local food law and with the")
	say("competent authority; they, and a qualified person's judgement, come before this text.")
	if checkpoint != "" {
		say("\nSeal of the records that this was made from:\n\n%s", checkpoint)
	}
	return text.String()
}

// soldAt tells where and when pieces of a code were sold, or of a run that they could have been.
func soldAt(sales []workshop.RecallSale, code events.Code, defs *workshop.Definitions) []string {
	type span struct{ first, last civil.Day }
	spans := map[string]span{}
	var places []string
	for _, s := range sales {
		if s.Code != code && !slices.Contains(s.CouldBe, code) {
			continue
		}
		day := civil.DayOf(s.OccurredAt, defs.Zone(defs.SiteOf(s.Place)))
		at, met := spans[s.Place]
		if !met {
			at = span{day, day}
			places = append(places, s.Place)
		}
		if day.Before(at.first) {
			at.first = day
		}
		if day.After(at.last) {
			at.last = day
		}
		spans[s.Place] = at
	}
	slices.Sort(places)
	var told []string
	for _, place := range places {
		name, at := place, spans[place]
		if def := defs.Places.Latest(place); def != nil {
			name = def.Body.Name
		}
		if at.first == at.last {
			told = append(told, fmt.Sprintf("%s, %s", name, at.first))
		} else {
			told = append(told, fmt.Sprintf("%s, %s to %s", name, at.first, at.last))
		}
	}
	return told
}

// spaced is a list in one cell of a table.
func spaced(codes []string) string { return strings.Join(codes, " ") }
