package workshop

import (
	"strings"

	"firstout/internal/events"
	"firstout/internal/gs1"
)

// LabelGS1 is what a symbol on the label carries: product, date as printed, and the code as lot number.
type LabelGS1 struct {
	GTIN    string `json:"gtin"`           // 14 digits
	Element string `json:"element_string"` // without the FNC1 that the symbol starts with
	Text    string `json:"text"`           // for people, beside the symbol
	Link    string `json:"digital_link"`   // empty where the number means nothing outside the shop
}

// defaultLinks is where links lead whose site names no address of its own: the standard's own resolver.
const defaultLinks = "https://id.gs1.org"

// addGS1 adds what a symbol carries, where the design has a product number.
func (l *Label) addGS1(s *Set, pieces int) {
	if l.Code.Kind() != events.KindRun {
		return
	}
	run := s.Run(l.Code)
	design := s.Defs.Designs.Latest(run.Design)
	if design == nil || design.Body.GTIN == "" {
		return
	}
	number, err := gs1.ParseGTIN(design.Body.GTIN)
	if err != nil { // written down before it was checked
		l.Warnings = append(l.Warnings, "The design's gtin is no product number: "+why(err)+".")
		return
	}
	elements := []gs1.Element{{AI: gs1.AIProduct, Value: number.Digits}}
	switch {
	case l.Date == nil:
	case l.Date.Kind == kindUseBy:
		elements = append(elements, gs1.Element{AI: gs1.AIUseBy, Value: gs1.FormatDate(l.Date.Date)})
	default:
		elements = append(elements, gs1.Element{AI: gs1.AIBestBefore, Value: gs1.FormatDate(l.Date.Date)})
	}
	if number.VariableMeasure() {
		weight, known := gs1.Kilograms(int64(s.pieceMass(run).Times(pieces)))
		if !known {
			l.Warnings = append(l.Warnings, "The product number is one of packs that carry their own weight: say how many pieces are in the pack.")
			return
		}
		elements = append(elements, weight)
	}
	elements = append(elements, gs1.Element{AI: gs1.AILot, Value: string(l.Code)})
	links := defaultLinks
	if site := s.Defs.Sites.Latest(run.Site); site != nil {
		links = firstOf(site.Body.Links, links)
	}
	link, err := gs1.Link(links, elements)
	if err != nil {
		l.Warnings = append(l.Warnings, "No symbol can carry this label: "+why(err)+".")
		return
	}
	if number.Restricted() {
		link = ""
		l.Warnings = append(l.Warnings, "The product number means nothing outside the shop that gave it: it has no link.")
	}
	l.GS1 = &LabelGS1{GTIN: number.Digits, Element: gs1.ElementString(elements), Text: gs1.Text(elements), Link: link}
}

// why is what an error says beside that it is one.
func why(err error) string { return strings.TrimPrefix(err.Error(), gs1.ErrInvalid.Error()+": ") }

// checkGTIN refuses a product number that does not check; an empty one is none.
func checkGTIN(text string) *Refusal {
	if text == "" {
		return nil
	}
	if _, err := gs1.ParseGTIN(text); err != nil {
		return invalid("/gtin", "That is no product number: %s.", why(err))
	}
	return nil
}
