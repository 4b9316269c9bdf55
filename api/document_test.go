package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/stretchr/testify/require"

	"firstout"
	"firstout/internal/workshop"
)

// Two libraries that have nothing in common take the document for OpenAPI 3.1, its examples included.
func TestDocumentIsValid(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData(firstout.Document)
	require.NoError(t, err)
	require.NoError(t, doc.Validate(t.Context()))

	v, err := referee()
	require.NoError(t, err)
	refereeBusy.Lock()
	defer refereeBusy.Unlock()
	ok, errs := v.ValidateDocument()
	require.True(t, ok, "%s", told(errs))
}

// The validator of requests knows the keywords of OpenAPI 3.0 and null in types; another keyword would be passed
// over in silence.
func TestRequestsUseKnownKeywordsOnly(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	for name, op := range operations {
		for place, schema := range requestSchemas(op) {
			err := openapi3.NewSchemaRef("", schema).WalkSubtree(func(_ string, ref *openapi3.SchemaRef) error {
				s := ref.Value
				require.True(t, s.Const == nil && s.If == nil && s.Then == nil && s.Else == nil && s.Contains == nil &&
					len(s.PrefixItems) == 0 && len(s.PatternProperties) == 0 && len(s.DependentSchemas) == 0 &&
					len(s.DependentRequired) == 0 && s.PropertyNames == nil && s.UnevaluatedProperties.Has == nil &&
					s.UnevaluatedItems.Has == nil && s.MinContains == nil, "%s %s", name, place)
				return nil
			})
			require.NoError(t, err)
		}
	}
}

// Everything that a request carries is bounded, and a body has no room for fields that nobody reads.
func TestRequestsAreBounded(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	for name, op := range operations {
		for place, schema := range requestSchemas(op) {
			err := openapi3.NewSchemaRef("", schema).WalkSubtree(func(_ string, ref *openapi3.SchemaRef) error {
				requireBounded(t, ref.Value, name+" "+place)
				return nil
			})
			require.NoError(t, err)
		}
	}
}

func requireBounded(t *testing.T, s *openapi3.Schema, where string) {
	t.Helper()
	types := s.Type.Slice()
	switch {
	case slices.Contains(types, "object"):
		replacement := where == "POST /v1/corrections body" && s.MaxProps != nil // the body of another address, held against that
		if s.AdditionalProperties.Schema != nil || replacement {                 // names with values of one kind
			require.NotNil(t, s.MaxProps, where)
			return
		}
		require.NotNil(t, s.AdditionalProperties.Has, where)
		require.False(t, *s.AdditionalProperties.Has, where)
	case slices.Contains(types, "array"):
		require.NotNil(t, s.MaxItems, where)
	case slices.Contains(types, "string") && s.Format == "" && len(s.Enum) == 0:
		require.True(t, s.MaxLength != nil || strings.HasSuffix(s.Pattern, "$") && !strings.ContainsAny(s.Pattern, "+*"), where)
	case slices.Contains(types, "number"), slices.Contains(types, "integer"):
		require.NotNil(t, s.Min, where)
		require.NotNil(t, s.Max, where)
	}
}

// requestSchemas gives the schemas of what a caller sends.
func requestSchemas(op *operation) map[string]*openapi3.Schema {
	schemas := map[string]*openapi3.Schema{}
	for _, p := range slices.Concat(op.route.PathItem.Parameters, op.route.Operation.Parameters) {
		schemas[p.Value.In+" "+p.Value.Name] = p.Value.Schema.Value
	}
	if body := op.route.Operation.RequestBody; body != nil {
		schemas["body"] = body.Value.Content.Get("application/json").Schema.Value
	}
	return schemas
}

// Every write by POST of what happened takes an idempotency key, an occurred_at and an already_done; no PUT does.
func TestWritesTakeTheirCommonFields(t *testing.T) {
	t.Parallel()
	operations, err := document()
	require.NoError(t, err)
	for name, op := range operations {
		method, path, _ := strings.Cut(name, " ")
		ofAnEvent := method == http.MethodPost && path != "/v1/clock" && path != "/v1/erasures" && path != "/v1/expiry/estimates"
		require.Equal(t, ofAnEvent, op.needsKey, name)
		if op.takes {
			properties := requestSchemas(op)["body"].Properties
			require.Equal(t, ofAnEvent, properties["occurred_at"] != nil && properties["already_done"] != nil, name)
		}
	}
}

// Every slug has a status, a title, a page's text, and a line in the document.
func TestEveryKindOfProblemIsWrittenDown(t *testing.T) {
	t.Parallel()
	require.Len(t, kinds, len(allSlugs()))
	for _, slug := range allSlugs() {
		k := kinds[slug]
		require.NotZero(t, k.Status, slug)
		require.NotEmpty(t, k.Title, slug)
		require.NotEmpty(t, k.Means, slug)
		require.NotEmpty(t, k.Do, slug)
		if slug != slugMethodNotAllowed { // no operation can answer it
			require.Contains(t, string(firstout.Document), "`"+string(slug)+"`", slug)
		}
		answered := http.StatusText(k.Status)
		require.NotEmpty(t, answered, slug)
	}
}

// A refusal's status is one that the document names for what lies off it or stands in its way.
func TestRefusalsHaveTheirStatus(t *testing.T) {
	t.Parallel()
	for _, slug := range workshop.Slugs {
		require.Contains(t, []int{http.StatusBadRequest, http.StatusConflict, http.StatusUnprocessableEntity}, statusOf(&workshop.Refusal{Slug: slug}), slug)
	}
	require.Equal(t, http.StatusNotFound, statusOf(&workshop.Refusal{Slug: workshop.RefusedUnknownCode, InURL: true}))
	require.Equal(t, http.StatusUnprocessableEntity, statusOf(&workshop.Refusal{Slug: workshop.RefusedWrongKind, InURL: true}))
}
