package api

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
)

// misfitsOf puts what the validator found into our words: where, what was expected, what to do. In the order of the
// places, each told once.
func misfitsOf(err error) []misfit {
	if err == nil {
		return nil
	}
	off := gather(err, "")
	slices.SortStableFunc(off, func(a, b misfit) int { return strings.Compare(a.Pointer, b.Pointer) })
	return slices.Compact(off)
}

func gather(err error, base string) []misfit {
	switch e := err.(type) { //nolint:errorlint // the validator's errors are a tree, walked node by node
	case openapi3.MultiError:
		var off []misfit
		for _, one := range e {
			off = append(off, gather(one, base)...)
		}
		return off
	case *openapi3filter.RequestError:
		return gatherRequest(e)
	case *openapi3.SchemaError:
		return gatherSchema(e, base)
	}
	return []misfit{{Pointer: base, Detail: "this value could not be read: send what the document says"}}
}

func gatherRequest(e *openapi3filter.RequestError) []misfit {
	base := ""
	if e.Parameter != nil {
		base = "/" + e.Parameter.In + "/" + e.Parameter.Name
	}
	var unread *openapi3filter.ParseError
	switch {
	case errors.Is(e.Err, openapi3filter.ErrInvalidRequired) && base == "":
		return []misfit{{Detail: "the body is missing: send a JSON object"}}
	case errors.Is(e.Err, openapi3filter.ErrInvalidRequired):
		return []misfit{{Pointer: base, Detail: "this is missing: add it"}}
	case errors.Is(e.Err, openapi3filter.ErrInvalidEmptyValue):
		return []misfit{{Pointer: base, Detail: "this is empty: give it a value or leave it out"}}
	case e.Parameter != nil && errors.As(e.Err, &unread):
		return []misfit{{Pointer: base, Detail: "expected " + typeWords(e.Parameter.Schema.Value)}}
	case e.Err != nil:
		return gather(e.Err, base)
	}
	return []misfit{{Pointer: base, Detail: "this could not be read: send what the document says"}}
}

func gatherSchema(e *openapi3.SchemaError, base string) []misfit {
	pointer := base
	for _, step := range e.JSONPointer() {
		pointer += "/" + escapePointer(step)
	}
	switch e.SchemaField {
	case "oneOf", "anyOf":
		if off := beneathRule(e, pointer); len(off) > 0 {
			return off
		}
	case "properties":
		var name string
		if _, err := fmt.Sscanf(e.Reason, "property %q is unsupported", &name); err == nil {
			pointer += "/" + escapePointer(name)
		}
	}
	return []misfit{{Pointer: pointer, Detail: expectation(e)}}
}

// beneathRule looks past a rule across several fields at the fields themselves: the validator stops at the rule, but
// a field that is missing or spoilt is the better thing to tell, and often why the rule does not hold.
func beneathRule(e *openapi3.SchemaError, pointer string) []misfit {
	fields := *e.Schema
	fields.OneOf, fields.AnyOf = nil, nil
	options := append([]openapi3.SchemaValidationOption{openapi3.VisitAsRequest(), openapi3.MultiErrors()}, schemaOptions...)
	if err := fields.VisitJSON(e.Value, options...); err != nil {
		return gather(err, pointer)
	}
	return nil
}

// expectation says what a schema wanted.
func expectation(e *openapi3.SchemaError) string {
	s := e.Schema
	if said, ok := s.Extensions["x-detail"].(string); ok && (e.SchemaField == "oneOf" || e.SchemaField == "anyOf") {
		return said
	}
	switch e.SchemaField {
	case "required":
		return "this is missing: add it"
	case "properties":
		known := make([]string, 0, len(s.Properties))
		for name := range s.Properties {
			known = append(known, name)
		}
		slices.Sort(known)
		return unknownName("field", known)
	case "type", "nullable":
		return "expected " + typeWords(s)
	case "enum":
		return "expected one of " + enumWords(s.Enum)
	case "minimum":
		return fmt.Sprintf("expected at least %s", number(*s.Min))
	case "maximum":
		return fmt.Sprintf("expected at most %s", number(*s.Max))
	case "minLength":
		return fmt.Sprintf("expected at least %d characters", s.MinLength)
	case "maxLength":
		return fmt.Sprintf("expected at most %d characters: shorten it", *s.MaxLength)
	case "pattern":
		return patternWords(s.Pattern)
	case "format":
		return "expected " + formatWords(s.Format)
	case "minItems":
		return fmt.Sprintf("expected at least %d entries", s.MinItems)
	case "maxItems":
		return fmt.Sprintf("expected at most %d entries: send the rest in another request", *s.MaxItems)
	case "uniqueItems":
		return "the same entry is given twice: send it once"
	case "minProperties":
		return "expected at least one field: give one, or leave the whole out"
	}
	return "this is not as the document says: look it up there"
}

func number(n float64) string { return strings.TrimSuffix(fmt.Sprintf("%.3f", n), ".000") }

func unknownName(what string, known []string) string {
	if len(known) == 0 {
		return fmt.Sprintf("there is no such %s here: leave it out", what)
	}
	return fmt.Sprintf("there is no such %s here: leave it out, or use one of %s", what, strings.Join(known, ", "))
}

func typeWords(s *openapi3.Schema) string {
	words := map[string]string{
		openapi3.TypeString: "a text", openapi3.TypeNumber: "a number", openapi3.TypeInteger: "a whole number",
		openapi3.TypeBoolean: "true or false", openapi3.TypeArray: "a list", openapi3.TypeObject: "an object",
		openapi3.TypeNull: "null",
	}
	var wanted []string
	for _, t := range s.Type.Slice() {
		wanted = append(wanted, words[t])
	}
	return strings.Join(wanted, " or ")
}

func enumWords(values []any) string {
	words := make([]string, 0, len(values))
	for _, value := range values {
		words = append(words, fmt.Sprint(value))
	}
	return strings.Join(words, ", ")
}

func formatWords(format string) string {
	switch format {
	case "date":
		return "a date of the calendar, as 2026-12-08"
	case "date-time":
		return "an RFC 3339 instant with an offset, as 2026-11-25T09:30:00Z"
	case "uuid":
		return "an id, as 019abb3c-7a40-7c31-9d0e-5b1f6c2a8e10"
	case "grams":
		return "grams with at most three decimals: round it yourself"
	}
	return "a value of the format " + format
}

func patternWords(pattern string) string {
	switch pattern {
	case `\S`:
		return "this is blank: write something"
	case slugPattern:
		return "expected a slug: lower-case letters, digits and single hyphens between them, as cream-35"
	}
	if strings.HasPrefix(pattern, knownAtPattern) {
		return knownAtWords
	}
	return "expected a text of the form " + pattern
}

// knownAtPattern is how the document's pattern of known_at begins.
const knownAtPattern = "^([0-9]{1,15}|[0-9]{4}-"

// slugPattern is the document's, met so often that it is told in words.
const slugPattern = "^[a-z0-9](-?[a-z0-9])*$"
