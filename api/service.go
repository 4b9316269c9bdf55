package api

import (
	"bytes"
	"context"
	_ "embed"
	"html/template"
	"unicode"
	"unicode/utf8"

	"firstout"
	"firstout/api/openapi"
	"firstout/internal/workshop"
)

// A service answers for the process itself, without a key.
type service struct {
	ready func(ctx context.Context) error // nil: nothing to wait for
}

// GetHealth says that the process is alive, whatever its database does.
func (s service) GetHealth(context.Context, openapi.GetHealthRequestObject) (openapi.GetHealthResponseObject, error) {
	return openapi.GetHealth200JSONResponse{Status: openapi.Ok}, nil
}

// GetReadiness says whether it can serve, its database included, and if not what stands in the way.
func (s service) GetReadiness(ctx context.Context, _ openapi.GetReadinessRequestObject) (openapi.GetReadinessResponseObject, error) {
	if s.ready != nil {
		if err := s.ready(ctx); err != nil {
			return nil, unreachable(sentence(err.Error()))
		}
	}
	return openapi.GetReadiness200JSONResponse{Status: openapi.Ok}, nil
}

// sentence makes one of an error's text.
func sentence(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:] + "."
}

// notReady tells that it is the database, or whatever else is waited for, and no fault.
type notReady struct{ error }

func (notReady) Unavailable() bool { return true }

// GetDocument serves openapi.yaml as it is in force.
func (s service) GetDocument(context.Context, openapi.GetDocumentRequestObject) (openapi.GetDocumentResponseObject, error) {
	return openapi.GetDocument200ApplicationYamlResponse{
		Body: bytes.NewReader(firstout.Document), ContentLength: int64(len(firstout.Document)),
	}, nil
}

//go:embed problems.html
var problemPages string

var problemTemplates = template.Must(template.New("problems").Parse(problemPages))

// A shown kind is a kind with its slug, as its page needs it.
type shownKind struct {
	Slug workshop.Slug
	kind
}

// ListProblems serves the list of every kind of problem; refusals stand in the order in which they are told.
func (s service) ListProblems(context.Context, openapi.ListProblemsRequestObject) (openapi.ListProblemsResponseObject, error) {
	var shown []shownKind
	for _, slug := range allSlugs() {
		shown = append(shown, shownKind{slug, kinds[slug]})
	}
	page, err := render("list", shown)
	if err != nil {
		return nil, err
	}
	return openapi.ListProblems200TextHTMLResponse{Body: page, ContentLength: int64(page.Len())}, nil
}

// GetProblem serves the page that a problem's type leads to.
func (s service) GetProblem(_ context.Context, request openapi.GetProblemRequestObject) (openapi.GetProblemResponseObject, error) {
	slug := workshop.Slug(request.Slug)
	k, known := kinds[slug]
	if !known {
		return nil, &problem{slug: slugNotFound, detail: "There is no problem of that name: look at /problems for those there are."}
	}
	page, err := render("one", shownKind{slug, k})
	if err != nil {
		return nil, err
	}
	return openapi.GetProblem200TextHTMLResponse{Body: page, ContentLength: int64(page.Len())}, nil
}

func render(name string, what any) (*bytes.Buffer, error) {
	var page bytes.Buffer
	if err := problemTemplates.ExecuteTemplate(&page, name, what); err != nil {
		return nil, err
	}
	return &page, nil
}
