package api

import (
	"strings"
	"time"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// typed reads codes as people type them. One that is mistyped is told before anything else is looked at, the first of
// the request first.
type typed struct{ mistyped *workshop.Refusal }

func (t *typed) code(text string) events.Code {
	code, refusal := workshop.ParseCode(text)
	if refusal != nil && t.mistyped == nil {
		t.mistyped = refusal
	}
	return code
}

// codeIfAny reads a code that may be left out.
func (t *typed) codeIfAny(text *string) events.Code {
	if text == nil {
		return ""
	}
	return t.code(*text)
}

// err is the refusal of the first code that was mistyped, if one was.
func (t *typed) err() error {
	if t.mistyped == nil {
		return nil
	}
	return t.mistyped
}

// subject reads a code, or the slug of a place or vat. What starts as codes do was meant for one.
func (t *typed) subject(text string) (code events.Code, slug string) {
	if parsed, refusal := workshop.ParseCode(text); refusal == nil {
		return parsed, ""
	}
	if looksLikeCode(text) {
		return t.code(text), ""
	}
	return "", text
}

// looksLikeCode says whether a text starts with the letter of a kind and the six digits of a date, or cannot be a
// slug.
func looksLikeCode(text string) bool {
	plain := strings.ToUpper(strings.NewReplacer("-", "", " ", "").Replace(text))
	if text != strings.ToLower(text) || strings.ContainsAny(text, " .") {
		return true
	}
	return len(plain) > 6 && strings.ContainsRune("LCGRB", rune(plain[0])) && strings.Trim(plain[1:7], "0123456789") == ""
}

// done reads what every write of something that happened carries.
func done(occurredAt *time.Time, alreadyDone *bool) workshop.Done {
	return workshop.Done{OccurredAt: occurredAt, AlreadyDone: valueOf(alreadyDone)}
}

// listIfAny tells an empty list, which says something, from none.
func listIfAny(list []string) *[]string {
	if list == nil {
		return nil
	}
	return &list
}

func (t *typed) meltInputs(inputs []openapi.MeltInput) []workshop.DrawLine {
	lines := make([]workshop.DrawLine, len(inputs))
	for i, in := range inputs {
		lines[i] = workshop.DrawLine{
			Source: t.code(in.Source), Place: valueOf(in.Place), Quantity: in.QuantityG, Purpose: string(valueOf(in.Purpose)),
		}
	}
	return lines
}

func (t *typed) ganacheInputs(inputs []openapi.GanacheInput) []workshop.DrawLine {
	lines := make([]workshop.DrawLine, len(inputs))
	for i, in := range inputs {
		lines[i] = workshop.DrawLine{
			Source: t.codeIfAny(in.Source), Ingredient: valueOf(in.Ingredient), Place: valueOf(in.Place), Quantity: in.QuantityG,
		}
	}
	return lines
}

func (t *typed) fillings(fillings []openapi.Filling) []workshop.FillingStep {
	var steps []workshop.FillingStep
	for _, f := range fillings {
		steps = append(steps, workshop.FillingStep{
			Source: t.code(f.Source), Place: valueOf(f.Place), Quantity: f.QuantityG, TemperatureC: f.TemperatureC, OccurredAt: f.OccurredAt,
		})
	}
	return steps
}

func (t *typed) decorations(decorations []openapi.Decoration) []workshop.DecorationStep {
	var steps []workshop.DecorationStep
	for _, d := range decorations {
		step := workshop.DecorationStep{Stage: string(d.Stage), OccurredAt: d.OccurredAt}
		for _, in := range d.Inputs {
			step.Inputs = append(step.Inputs, workshop.DecorationInput{Source: t.code(in.Source), Place: valueOf(in.Place), Quantity: in.QuantityG})
		}
		steps = append(steps, step)
	}
	return steps
}

func (t *typed) soldLines(sold []openapi.LineSold) []workshop.PieceLine {
	lines := make([]workshop.PieceLine, len(sold))
	for i, l := range sold {
		lines[i] = workshop.PieceLine{
			Design: valueOf(l.Design), Code: t.codeIfAny(l.Code), Grade: string(valueOf(l.Grade)), Pieces: l.Pieces, PriceMinor: l.PriceMinor,
		}
	}
	return lines
}

func (t *typed) givenLines(given []openapi.LineGiven) []workshop.PieceLine {
	lines := make([]workshop.PieceLine, len(given))
	for i, l := range given {
		lines[i] = workshop.PieceLine{
			Design: valueOf(l.Design), Code: t.codeIfAny(l.Code), Grade: string(valueOf(l.Grade)), Pieces: l.Pieces,
		}
	}
	return lines
}

func (t *typed) handledLines(given []openapi.StockLineGiven) []workshop.HandledLine {
	lines := make([]workshop.HandledLine, len(given))
	for i, l := range given {
		lines[i] = workshop.HandledLine{
			Code: t.code(l.Code), Grade: string(valueOf(l.Grade)), Pieces: valueOf(l.Pieces), Quantity: valueOf(l.QuantityG),
		}
	}
	return lines
}

func (t *typed) foundLines(found []openapi.StockLineFound) []workshop.HandledLine {
	lines := make([]workshop.HandledLine, len(found))
	for i, l := range found {
		lines[i] = workshop.HandledLine{
			Code: t.code(l.Code), Grade: string(valueOf(l.Grade)), Pieces: valueOf(l.Pieces), Quantity: valueOf(l.QuantityG),
		}
	}
	return lines
}
