package api

import (
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/labstack/echo/v4"
)

// validated lets through what fits the document and refuses the rest with every place that is off. A handler behind
// it need not look at types, limits, formats or unknown fields again.
func validated(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		op, err := operationFor(c)
		if err != nil {
			return err
		}
		if op == nil { // not an address of the document's
			return next(c)
		}
		if err := validate(c, op); err != nil {
			return err
		}
		return next(c)
	}
}

// operationFor finds what the document says of a request's route; nil for one that is not the document's.
func operationFor(c echo.Context) (*operation, error) {
	operations, err := document()
	if err != nil {
		return nil, err
	}
	return operations[c.Request().Method+" "+c.Path()], nil
}

func validate(c echo.Context, op *operation) error {
	r := c.Request()
	accepts, err := acceptable(r.Header.Values(echo.HeaderAccept), op.answers)
	if err != nil {
		return err
	}
	callOf(r.Context()).accepts = accepts
	if err := takeKey(r, op); err != nil {
		return err
	}
	body, err := readBody(c, op)
	if err != nil {
		return err
	}
	path := pathValues(c)
	off := slices.Concat(textMisfits(path, r.URL.Query()), queryMisfits(r.URL, op))
	if op.takes {
		off = append(off, checkJSON(body)...)
	}
	if len(off) > 0 { // what is written so cannot be held against a schema
		return invalid(off...)
	}
	if op.takes {
		takeBody(r, op, body)
	}
	return invalidIfAny(documentMisfits(r, op, path))
}

func invalidIfAny(off []misfit) error {
	if len(off) == 0 {
		return nil
	}
	return invalid(off...)
}

// readBody reads the body whole, up to its limit. Where none is taken, none may come.
func readBody(c echo.Context, op *operation) ([]byte, error) {
	r := c.Request()
	if !op.takes {
		if r.ContentLength != 0 {
			return nil, invalid(misfit{Detail: "this address takes no body: leave it out"})
		}
		return nil, nil
	}
	mediaType, parameters, err := mime.ParseMediaType(r.Header.Get(echo.HeaderContentType))
	charset := parameters["charset"]
	coding := r.Header.Get(echo.HeaderContentEncoding)
	if err != nil || mediaType != echo.MIMEApplicationJSON || charset != "" && !strings.EqualFold(charset, "utf-8") ||
		coding != "" && !strings.EqualFold(coding, "identity") {
		return nil, wrongMediaType()
	}
	if r.ContentLength > maxBody {
		return nil, tooLarge()
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Response(), r.Body, maxBody))
	if err != nil {
		return nil, unread(err)
	}
	return body, nil
}

// unread says why a body could not be read: too large, or broken off on its way.
func unread(err error) error {
	var tooBig *http.MaxBytesError
	if errors.As(err, &tooBig) {
		return err
	}
	return invalid(misfit{Detail: "the body broke off before its end: send it again with the same key"})
}

func wrongMediaType() *problem {
	return &problem{
		slug:   slugUnsupportedMedia,
		detail: "Bodies are JSON: send Content-Type: application/json, in UTF-8 and without a Content-Encoding.",
		header: map[string]string{"Accept-Post": echo.MIMEApplicationJSON},
	}
}

// pathValues gives the path's parameters as the caller meant them.
func pathValues(c echo.Context) map[string]string {
	values := map[string]string{}
	for i, name := range c.ParamNames() {
		value := c.ParamValues()[i]
		if plain, err := url.PathUnescape(value); err == nil {
			value = plain
		}
		values[name] = value
	}
	return values
}

// textMisfits looks at the characters of what stands in the URL, as checkJSON does at the body's.
func textMisfits(path map[string]string, query url.Values) []misfit {
	var off []misfit
	check := func(pointer, text string) {
		if _, found := control(text); found || !utf8.ValidString(text) {
			off = append(off, misfit{Pointer: pointer, Detail: "this text holds a control character or is not in UTF-8: send plain text"})
		}
	}
	for name, text := range path {
		check("/path/"+name, text)
	}
	for name, texts := range query {
		for _, text := range texts {
			check("/query/"+escapePointer(name), text)
		}
	}
	slices.SortFunc(off, func(a, b misfit) int { return strings.Compare(a.Pointer, b.Pointer) })
	return off
}

// queryMisfits finds parameters that the document does not know, that are given twice, or that say yes otherwise than JSON.
func queryMisfits(u *url.URL, op *operation) []misfit {
	query, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return []misfit{{Pointer: "/query", Detail: "the query is not well formed: encode its values"}}
	}
	var off []misfit
	for name, values := range query {
		switch {
		case !slices.Contains(op.query, name):
			off = append(off, misfit{Pointer: "/query/" + escapePointer(name), Detail: unknownName("parameter", op.query)})
		case len(values) > 1:
			off = append(off, misfit{Pointer: "/query/" + name, Detail: "this parameter is given twice: send it once"})
		case slices.Contains(op.yesOrNo, name) && values[0] != "true" && values[0] != "false": // the validator would take 1 and T
			off = append(off, misfit{Pointer: "/query/" + name, Detail: "expected true or false"})
		}
	}
	slices.SortFunc(off, func(a, b misfit) int { return strings.Compare(a.Pointer, b.Pointer) })
	return off
}

// documentMisfits holds the request against the document.
func documentMisfits(r *http.Request, op *operation, path map[string]string) []misfit {
	err := openapi3filter.ValidateRequest(r.Context(), &openapi3filter.RequestValidationInput{
		Request:    r,
		PathParams: path,
		Route:      op.route,
		Options: &openapi3filter.Options{
			MultiError:              true,
			AuthenticationFunc:      openapi3filter.NoopAuthenticationFunc, // the gate has asked
			SkipSettingDefaults:     true,                                  // the body stays as it was sent
			KeepValidatedValue:      true,                                  // the handler gets what was checked
			SchemaValidationOptions: schemaOptions,
		},
	})
	return misfitsOf(err)
}
