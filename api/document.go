package api

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/routers"

	"firstout"
)

// An operation is what the document says of one method at one address.
type operation struct {
	route    *routers.Route
	query    []string // the query parameters that it knows
	yesOrNo  []string // those of them that are true or false
	answers  []string // media types of its good answers
	needsKey bool
	takes    bool // a body
}

// document gives the operations by method and echo's route pattern, e.g. "GET /v1/lots/:code". Reading openapi.yaml
// takes a tenth of a second, so it is done once in a process, beside the rest of the start.
var document = sync.OnceValues(readDocument)

// ReadAhead begins to read the document, which takes longer than to connect to a database, and returns at once. Whoever
// needs the document waits for it, and gets the error if there is one; without this, New begins.
func ReadAhead() { go func() { _, _ = document() }() }

func readDocument() (map[string]*operation, error) {
	doc, err := openapi3.NewLoader().LoadFromData(firstout.Document)
	if err != nil {
		return nil, fmt.Errorf("read openapi.yaml: %w", err)
	}
	// Under its own number 3.1 the library would compile every schema anew at every request. Its older validator
	// knows all the keywords that requests are written in (a test holds that) and tells every misfit by its place.
	doc.OpenAPI = "3.0.3"
	operations := map[string]*operation{}
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			operations[method+" "+echoPath(path)] = operationOf(doc, path, item, method, op)
		}
	}
	return operations, nil
}

// echoPath writes /v1/lots/{code} as /v1/lots/:code.
func echoPath(path string) string {
	return strings.NewReplacer("{", ":", "}", "").Replace(path)
}

func operationOf(doc *openapi3.T, path string, item *openapi3.PathItem, method string, op *openapi3.Operation) *operation {
	o := &operation{
		route: &routers.Route{Spec: doc, Path: path, PathItem: item, Method: method, Operation: op},
		takes: op.RequestBody != nil,
	}
	for _, parameter := range slices.Concat(item.Parameters, op.Parameters) {
		switch p := parameter.Value; {
		case p.In == openapi3.ParameterInQuery:
			o.query = append(o.query, p.Name)
			if p.Schema.Value.Type.Is(openapi3.TypeBoolean) {
				o.yesOrNo = append(o.yesOrNo, p.Name)
			}
		case p.In == openapi3.ParameterInHeader && p.Name == headerIdempotencyKey:
			o.needsKey = true
		}
	}
	for status, answer := range op.Responses.Map() {
		if status == "200" || status == "201" {
			for mediaType := range answer.Value.Content {
				o.answers = append(o.answers, mediaType)
			}
		}
	}
	slices.Sort(o.query)
	slices.Sort(o.answers)
	o.answers = slices.Compact(o.answers)
	return o
}

// The formats that the document's schemas name, checked for real.
var schemaOptions = []openapi3.SchemaValidationOption{
	openapi3.WithStringFormatValidator("date-time", openapi3.NewCallbackValidator(checkInstant)),
	openapi3.WithStringFormatValidator("uuid", openapi3.NewRegexpFormatValidator(openapi3.FormatOfStringForUUIDOfRFC9562)),
	openapi3.WithNumberFormatValidator("grams", openapi3.NewCallbackValidator(checkGrams)),
}

// checkInstant takes what the handlers' own reader takes: RFC 3339 with an offset, no leap second.
func checkInstant(text string) error {
	var instant time.Time
	return instant.UnmarshalText([]byte(text))
}

// checkGrams refuses a fourth decimal. A number with at most three is the double nearest to some whole thousandth,
// and no other number is, as far as doubles tell milligrams apart.
func checkGrams(value float64) error {
	if math.Round(value*1000)/1000 != value {
		return errors.New("finer than a milligram")
	}
	return nil
}
