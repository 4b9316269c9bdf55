package api

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
)

// A spoil is one thing that is off the document in a request, and how it must be told.
type spoil struct {
	what   string
	slug   string // of the problem
	status int
	apply  func(w *wish)
}

func invalidly(what string, apply func(w *wish)) spoil {
	return spoil{what: what, slug: "invalid-request", status: http.StatusBadRequest, apply: apply}
}

// spoils lists everything that can be spoilt of a request that fits.
func (d *drawer) spoils(w *wish) []spoil {
	all := slices.Concat(d.headerSpoils(w), d.addressSpoils(w))
	if !w.op.takes {
		return append(all, invalidly("a body where none is taken", func(w *wish) {
			w.raw = pointerTo("{}")
			w.headers.Set("Content-Type", "application/json")
		}))
	}
	return append(append(all, rawSpoils(w)...), d.bodySpoils(w)...)
}

func (d *drawer) headerSpoils(w *wish) []spoil {
	var all []spoil
	set := func(status int, slug, name, value string) {
		all = append(all, spoil{what: name + ": " + strconv.Quote(shortened(value)), slug: slug, status: status, apply: func(w *wish) {
			w.headers.Del(name)
			if value != "" {
				w.headers.Set(name, value)
			}
		}})
	}
	set(http.StatusNotAcceptable, "not-acceptable", "Accept", "image/png")
	set(http.StatusNotAcceptable, "not-acceptable", "Accept", strings.Join(w.op.answers, ";q=0, ")+";q=0")
	if !rights[w.route()].public {
		set(http.StatusUnauthorized, "unauthenticated", "Authorization", "Bearer nonsense")
		set(http.StatusUnauthorized, "unauthenticated", "Authorization", "Basic Zjpm")
	}
	if w.op.needsKey {
		set(http.StatusBadRequest, "key-missing", headerIdempotencyKey, "")
		set(http.StatusBadRequest, "key-missing", headerIdempotencyKey, `""`)
		for _, key := range []string{strings.Repeat("k", 129), "a b", "ké", "a\tb", `"` + strings.Repeat("k", 129) + `"`} {
			set(http.StatusBadRequest, "invalid-request", headerIdempotencyKey, key)
		}
	}
	if w.op.takes {
		for _, mediaType := range []string{"", "text/plain", "application/xml", "application/json; charset=latin1", "json", "multipart/form-data; boundary=x"} {
			set(http.StatusUnsupportedMediaType, "unsupported-media-type", "Content-Type", mediaType)
		}
		set(http.StatusUnsupportedMediaType, "unsupported-media-type", "Content-Encoding", "gzip")
	}
	tagged := strings.HasPrefix(w.op.route.Path, "/v1/") && !strings.HasPrefix(w.op.route.Path, sealRoutes)
	if w.method == http.MethodGet && tagged && !streamRoutes[echoPath(w.op.route.Path)] {
		set(http.StatusBadRequest, "invalid-request", "If-None-Match", strings.Repeat("x", 2001))
	}
	return all
}

func shortened(text string) string {
	if len(text) > 40 {
		return text[:40] + "…"
	}
	return text
}

// addressSpoils are what can be off in the path and the query.
func (d *drawer) addressSpoils(w *wish) []spoil {
	query := func(name string, values ...string) spoil {
		return invalidly(fmt.Sprintf("?%s=%q", name, values), func(w *wish) { w.query[name] = values })
	}
	all := []spoil{query("surprise", "1")}
	for _, ref := range slices.Concat(w.op.route.PathItem.Parameters, w.op.route.Operation.Parameters) {
		p := ref.Value
		switch p.In {
		case openapi3.ParameterInPath:
			for _, text := range offInText(p.Schema.Value, true) {
				all = append(all, invalidly("/"+p.Name+": "+strconv.Quote(shortened(text)), func(w *wish) { w.path[p.Name] = text }))
			}
		case openapi3.ParameterInQuery:
			if p.Required {
				all = append(all, invalidly("no ?"+p.Name, func(w *wish) { w.query.Del(p.Name) }))
			}
			for _, text := range offInText(p.Schema.Value, false) {
				all = append(all, query(p.Name, text))
			}
			all = append(all, query(p.Name, plain(d.value(p.Schema, p.Name)), plain(d.value(p.Schema, p.Name))))
		}
	}
	return all
}

// offInText are texts that do not fit a schema where they stand in an address.
func offInText(s *openapi3.Schema, inPath bool) []string {
	var off []string
	if !inPath {
		off = append(off, "")
	}
	switch {
	case s.Type.Permits(openapi3.TypeBoolean):
		off = append(off, "yes", "1", "TRUE")
	case s.Type.Permits(openapi3.TypeInteger), s.Type.Permits(openapi3.TypeNumber):
		off = append(off, "x", "1e400", "1_000", " 1", "0x10", "١", "NaN", "Inf")
		if s.Min != nil {
			off = append(off, plain(*s.Min-1))
		}
		if s.Max != nil {
			off = append(off, strconv.FormatFloat(*s.Max*10, 'f', -1, 64))
		}
		if s.Type.Permits(openapi3.TypeInteger) {
			off = append(off, "1.5")
		}
		if s.Format == "grams" {
			off = append(off, "1.0005")
		}
	case len(s.Enum) > 0:
		off = append(off, "surprise", strings.ToUpper(plain(s.Enum[0])))
	default:
		off = append(off, "a\x00b", "a\rb", "\xff", "a\x7f")
		for _, text := range offOf(s) {
			if text != "" {
				off = append(off, text)
			}
		}
	}
	return off
}

// offOf are texts that do not fit a schema of texts.
func offOf(s *openapi3.Schema) []string {
	var off []string
	switch s.Format {
	case "date":
		off = append(off, "2026-02-30", "2026-13-01", "25.11.2026", "2026-11-25T00:00:00Z", "2026-1-5", "tomorrow")
	case "date-time":
		off = append(off, "2026-11-25", "2026-11-25T09:30:00", "2026-11-25 09:30:00Z", "2026-02-30T09:30:00Z", "2026-11-25T25:00:00Z", "2026-11-25T09:30:00+25:00", "now")
	case "uuid":
		off = append(off, "x", "017F22E2-79B0-7CC3-98C4-DC0C0C07398", "{017F22E2-79B0-7CC3-98C4-DC0C0C07398F}", "urn:uuid:017F22E2-79B0-7CC3-98C4-DC0C0C07398F")
	}
	if s.MaxLength != nil {
		off = append(off, strings.Repeat("x", int(*s.MaxLength)+1), strings.Repeat("🍫", int(*s.MaxLength)+1))
	}
	if s.MinLength > 0 {
		off = append(off, "")
	}
	switch s.Pattern {
	case "":
	case `\S`:
		off = append(off, " ", "\t\n")
	default: // slugs, countries, currencies, allergens, numbers of goods
		fits := regexp.MustCompile(s.Pattern)
		for _, text := range []string{"No Such!", "-", "a--b", "x_", "é", "a/b", "nuts", "12345", "ie"} {
			if !fits.MatchString(text) {
				off = append(off, text)
			}
		}
	}
	return off
}

// rawSpoils are what can be off in the text of a body.
func rawSpoils(w *wish) []spoil {
	raw := func(what string, text func(good string) string) spoil {
		return invalidly(what, func(w *wish) { w.raw = pointerTo(text(w.text())) })
	}
	all := []spoil{
		raw("text after the body", func(good string) string { return good + " {}" }),
		raw("a body cut short", func(good string) string { return strings.TrimSpace(good)[:len(strings.TrimSpace(good))-1] }),
		raw("no JSON", func(string) string { return "{'a':1}" }),
		raw("a list", func(good string) string { return "[" + good + "]" }),
		raw("null", func(string) string { return "null" }),
		raw("a byte order mark", func(good string) string { return "\ufeff" + good }),
		raw("too deep", func(string) string { return strings.Repeat("[", 10000) + strings.Repeat("]", 10000) }),
		raw("UTF-16", func(string) string { return "\xfe\xff\x00{\x00}" }),
		raw("no body", func(string) string { return "" }),
		raw("a blank body", func(string) string { return " \n" }),
	}
	if members, is := w.body.(map[string]any); is && len(members) > 0 {
		all = append(all, raw("a key twice", func(good string) string {
			name := slices.Sorted(maps.Keys(w.body.(map[string]any)))[0]
			value, _ := json.Marshal(w.body.(map[string]any)[name])
			return strings.Replace(good, "{", fmt.Sprintf("{%q:%s,", name, value), 1)
		}))
	}
	return all
}

// bodySpoils are what can be off in the tree of a body, at every place of it.
func (d *drawer) bodySpoils(w *wish) []spoil {
	var all []spoil
	schema := w.op.route.Operation.RequestBody.Value.Content["application/json"].Schema
	d.walk(schema.Value, w.body, nil, func(what string, at []any, value any) {
		all = append(all, invalidly(pointerOf(at)+" "+what, func(w *wish) { w.body = put(w.body, at, value) }))
	})
	return all
}

// gone stands for a member that is left out.
type gone struct{}

// walk goes through a value with its schema and tells everything that would not fit.
func (d *drawer) walk(s *openapi3.Schema, value any, at []any, off func(what string, at []any, value any)) {
	tell := func(what string, value any, below ...any) { off(what, slices.Concat(at, below), value) }
	for _, other := range []any{nil, "1", json.Number("1"), true, []any{}, map[string]any{}} {
		if !takesType(s, other) {
			tell(fmt.Sprintf("is %v", other), other)
		}
	}
	switch v := value.(type) {
	case map[string]any:
		d.members(s, v, tell)
		for _, name := range slices.Sorted(maps.Keys(v)) {
			without := maps.Clone(v)
			delete(without, name)
			if !holdsAcross(s, without) || uint64(len(without)) < s.MinProps {
				tell("has no "+name, gone{}, name)
			}
			if of := memberOf(s, name); of != nil {
				d.walk(of, v[name], append(slices.Clone(at), name), off)
			}
		}
		for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
			if _, has := v[name]; has {
				continue
			}
			more := maps.Clone(v)
			more[name] = d.value(s.Properties[name], name)
			if !holdsAcross(s, more) {
				tell("has "+name+" against a rule", more[name], name)
			}
		}
	case []any:
		if s.MinItems > 0 {
			tell("is empty", []any{})
		}
		if s.MaxItems != nil && len(v) > 0 {
			tell("is too long", slices.Repeat(v[:1], int(*s.MaxItems)+1))
		}
		if s.UniqueItems && len(v) > 0 {
			tell("has an entry twice", append(slices.Clone(v), v[0]))
		}
		for i, one := range v {
			d.walk(s.Items.Value, one, append(slices.Clone(at), i), off)
		}
	case string:
		if len(s.Enum) > 0 {
			tell("is none of the list", v+"x")
			break
		}
		for _, text := range offOf(s) {
			tell("is "+strconv.Quote(shortened(text)), text)
		}
		for _, text := range []string{"a\u0000b", "\u007f", "a\rb", "\u001b[0m"} {
			tell("has a control character", text)
		}
		tell("has half a surrogate", unwritten(`"\ud83c"`))
		tell("is no UTF-8", unwritten("\"a\xffb\""))
	case json.Number:
		for _, text := range offInNumber(s) {
			tell("is "+text, unwritten(text))
		}
	}
}

// members tells what would be too many of them.
func (d *drawer) members(s *openapi3.Schema, v map[string]any, tell func(what string, value any, below ...any)) {
	of := s.AdditionalProperties.Schema
	switch {
	case s.AdditionalProperties.Has != nil && *s.AdditionalProperties.Has: // it takes any
	case of == nil:
		tell("has a member too many", json.Number("1"), "surprise")
	case s.MaxProps != nil:
		full := maps.Clone(v)
		for i := range *s.MaxProps + 1 {
			full["member "+strconv.FormatUint(i, 10)] = d.value(of, "")
		}
		tell("has too many members", full)
	}
}

// memberOf is the schema of a member of an object, nil if it may have none of that name.
func memberOf(s *openapi3.Schema, name string) *openapi3.Schema {
	if of, known := s.Properties[name]; known {
		return of.Value
	}
	if of := s.AdditionalProperties.Schema; of != nil {
		return of.Value
	}
	return nil
}

func offInNumber(s *openapi3.Schema) []string {
	off := []string{"1e400", "-1e400", "9007199254740993", "01", "+1", "NaN", ".5"}
	if s.Min != nil {
		off = append(off, plain(*s.Min-1), plain(*s.Min-0.001))
	}
	if s.Max != nil {
		off = append(off, strconv.FormatFloat(*s.Max+1, 'f', -1, 64))
	}
	if s.Type.Permits(openapi3.TypeInteger) {
		off = append(off, "1.5", "1e-1")
	}
	if s.Format == "grams" {
		off = append(off, "0.0005", "1.2345", "1e-4", "1.00000000000000000001")
	}
	return off
}

// takesType says whether a value is of a type that a schema takes.
func takesType(s *openapi3.Schema, value any) bool {
	switch value.(type) {
	case nil:
		return s.Type.Permits(openapi3.TypeNull)
	case string:
		return s.Type.Permits(openapi3.TypeString)
	case json.Number:
		return s.Type.Permits(openapi3.TypeNumber) || s.Type.Permits(openapi3.TypeInteger)
	case bool:
		return s.Type.Permits(openapi3.TypeBoolean)
	case []any:
		return s.Type.Permits(openapi3.TypeArray)
	}
	return s.Type.Permits(openapi3.TypeObject)
}

// put gives a tree with another value at a place in it; the tree itself stays as it is.
func put(tree any, at []any, value any) any {
	if len(at) == 0 {
		return value
	}
	switch step := at[0].(type) {
	case string:
		old, _ := tree.(map[string]any)
		members := maps.Clone(old)
		if members == nil {
			members = map[string]any{}
		}
		if _, out := value.(gone); out && len(at) == 1 {
			delete(members, step)
		} else {
			members[step] = put(members[step], at[1:], value)
		}
		return members
	case int:
		entries := slices.Clone(tree.([]any))
		entries[step] = put(entries[step], at[1:], value)
		return entries
	}
	panic("a place in a tree is names and numbers")
}

func pointerOf(at []any) string {
	var pointer strings.Builder
	for _, step := range at {
		pointer.WriteString("/" + escapePointer(plain(step)))
	}
	return pointer.String()
}

// leave goes through a value with its schema and tells every member and entry that may be left out of it.
func leave(s *openapi3.Schema, value any, at []any, less func(at []any, value any)) {
	switch v := value.(type) {
	case map[string]any:
		for _, name := range slices.Sorted(maps.Keys(v)) {
			without := maps.Clone(v)
			delete(without, name)
			below := append(slices.Clone(at), name)
			if holdsAcross(s, without) && uint64(len(without)) >= s.MinProps {
				less(below, gone{})
			}
			if of := memberOf(s, name); of != nil {
				leave(of, v[name], below, less)
			}
		}
	case []any:
		for i := range v {
			if uint64(len(v)) > s.MinItems {
				less(at, slices.Delete(slices.Clone(v), i, i+1))
			}
			leave(s.Items.Value, v[i], append(slices.Clone(at), i), less)
		}
	}
}
