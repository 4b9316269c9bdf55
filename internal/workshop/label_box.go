package workshop

import (
	"cmp"
	"fmt"
	"slices"

	"firstout/internal/events"
)

// This file is about the label of a box: all of its pieces on one label. What is an ingredient, and what is only may be
// contained, is judged by each run of its own, as it is for the pieces: packing them together dilutes nothing.

// runsInside lists the runs of which pieces are in a box, once they are all there to look at.
func (s *Set) runsInside(box *Box) []events.Code {
	runs := box.Runs()
	s.wantThings(runs)
	return runs
}

// designsInside names the designs of which pieces are in a box: most pieces first.
func designsInside(box *Box) []string {
	pieces := map[string]int{}
	var slugs []string
	for _, c := range box.Contents {
		if pieces[c.Design] == 0 {
			slugs = append(slugs, c.Design)
		}
		pieces[c.Design] += c.Pieces
	}
	slices.SortFunc(slugs, func(a, b string) int { return cmp.Or(cmp.Compare(pieces[b], pieces[a]), cmp.Compare(a, b)) })
	return slugs
}

// boxName is the name that the box was packed under, else what it holds.
func (s *Set) boxName(box *Box) string {
	if box.Name != "" {
		return box.Name
	}
	var names []string
	for _, slug := range designsInside(box) {
		names = append(names, s.foodName(slug))
	}
	return andThen(names)
}

// foodName is what a piece is called on a label.
func (s *Set) foodName(slug string) string {
	if def := s.Defs.Designs.Latest(slug); def != nil {
		return firstOf(def.Body.LabelName, def.Body.Name)
	}
	return slug
}

// labelDesigns are the definitions in force of the pieces that a label is of.
func (s *Set) labelDesigns(code events.Code) []events.Design {
	var slugs []string
	switch code.Kind() {
	case events.KindRun:
		slugs = []string{s.Run(code).Design}
	case events.KindBox:
		slugs = designsInside(s.Box(code))
	default: // nothing of a design
	}
	var designs []events.Design
	for _, slug := range slugs {
		if def := s.Defs.Designs.Latest(slug); def != nil {
			designs = append(designs, def.Body)
		}
	}
	return designs
}

// labelled is what allergens a thing carries by the labels in force; of a box, all of its pieces'.
func (s *Set) labelled(code events.Code) Allergens {
	if code.Kind() != events.KindBox {
		return s.allergensOf(s.labelMix(code), s.siteOf(code))
	}
	var all []Allergens
	for _, run := range s.runsInside(s.Box(code)) {
		all = append(all, s.allergensOf(s.Run(run).Mix, s.siteOf(run)))
	}
	return allOf(all)
}

// usedInBox sums what went into the pieces of a box, and gives what they weigh.
func (s *Set) usedInBox(used map[string]*asUsed, box *Box) (finished float64) {
	var ganaches []events.Code
	for _, run := range s.runsInside(box) {
		ganaches = append(ganaches, s.Run(run).Ganaches...)
	}
	s.wantThings(codeSet(ganaches))
	for _, c := range box.Contents {
		run, mass := s.Run(c.Run), float64(c.PieceMass.Times(c.Pieces))
		finished += mass
		whole := float64(run.Mix.Total())
		if whole == 0 {
			continue
		}
		s.use(used, run.Mix, mass/whole, run.Site)
		for ganache, filled := range run.FilledOf {
			s.concentrate(used, s.Ganache(ganache), float64(filled)*mass/whole)
		}
	}
	return finished
}

// boxNet is what is in one box.
func boxNet(box *Box) LabelNet {
	pieces, mass := box.Pieces(), box.BoxMass
	word := "pieces"
	if pieces == 1 {
		word = "piece"
	}
	return LabelNet{Pieces: pieces, Quantity: &mass, Text: fmt.Sprintf("%s g (%d %s)", tenths(mass), pieces, word)}
}
