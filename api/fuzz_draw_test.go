package api

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"regexp"
	"regexp/syntax"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"

	"firstout/internal/events"
)

// A drawer makes requests up from the document: by its schemas, with names and codes that the book has often enough
// for a request to get somewhere. The same seed makes the same requests.
type drawer struct {
	rng   *rand.Rand
	now   time.Time           // the book's
	slugs map[string][]string // by kind, as in the path: places, vats, …
	codes map[byte][]string   // by kind letter
	ids   []string            // of holds and deviations
	pages map[string][]string // cursors by route
	keys  int
}

// A wish is a request being made up, before it is written out.
type wish struct {
	op      *operation
	method  string
	path    map[string]string
	query   url.Values
	headers http.Header
	body    any     // a tree of JSON; numbers are json.Number
	raw     *string // the body as it is sent, where it is not the tree's
	spoilt  *spoil  // nil: it fits the document
	who     string  // whose key it comes with: roles, with a plus between them
	style   uint64  // how the body is written
}

func (w *wish) route() string { return w.method + " " + echoPath(w.op.route.Path) }

// chance is true so many times in a hundred.
func (d *drawer) chance(percent int) bool { return d.rng.IntN(100) < percent }

func pick[T any](d *drawer, from []T) T { return from[d.rng.IntN(len(from))] }

// fitting draws a request that fits the document.
func (d *drawer) fitting(op *operation) *wish {
	w := &wish{
		op: op, method: op.route.Method, path: map[string]string{}, query: url.Values{}, headers: http.Header{}, style: d.rng.Uint64(),
	}
	for _, ref := range slices.Concat(op.route.PathItem.Parameters, op.route.Operation.Parameters) {
		p := ref.Value
		switch {
		case p.In == openapi3.ParameterInPath:
			w.path[p.Name] = plain(d.value(p.Schema, d.pathName(op, p.Name)))
		case p.In == openapi3.ParameterInQuery && (p.Required || d.chance(35)):
			if p.Name == "cursor" {
				w.query.Set(p.Name, d.cursor(w.route()))
			} else {
				w.query.Set(p.Name, plain(d.value(p.Schema, p.Name)))
			}
		case p.In == openapi3.ParameterInHeader && p.Name == headerIdempotencyKey:
			w.headers.Set(p.Name, d.key())
		case p.In == openapi3.ParameterInHeader && p.Name == "If-None-Match" && d.chance(20):
			w.headers.Set(p.Name, pick(d, []string{`"nothing"`, `*`, `W/"nothing"`, `"a", "b"`, ``, `nonsense`}))
		}
	}
	if op.takes {
		schema := op.route.Operation.RequestBody.Value.Content["application/json"].Schema
		w.body = d.value(schema, "")
		w.headers.Set("Content-Type", pick(d, []string{"application/json", "application/json", "application/json; charset=utf-8", "Application/JSON"}))
	}
	if d.chance(20) && len(op.answers) > 0 {
		own := pick(d, op.answers)
		kind, _, _ := strings.Cut(own, "/")
		w.headers.Set("Accept", pick(d, []string{"*/*", own, kind + "/*;q=0.5", "text/nothing, " + own + ";q=0.1", own + ", */*;q=0"}))
	}
	return w
}

// requires says whether the query must have a parameter.
func (w *wish) requires(name string) bool {
	return slices.ContainsFunc(w.op.route.Operation.Parameters, func(p *openapi3.ParameterRef) bool {
		return p.Value.Name == name && p.Value.In == openapi3.ParameterInQuery && p.Value.Required
	})
}

// target is the address with its values in it.
func (w *wish) target() string {
	path := w.op.route.Path
	for name, value := range w.path {
		path = strings.ReplaceAll(path, "{"+name+"}", url.PathEscape(value))
	}
	if len(w.query) > 0 {
		path += "?" + w.query.Encode()
	}
	return path
}

// text is the body as it is sent.
func (w *wish) text() string {
	if w.raw != nil || !w.op.takes {
		return valueOf(w.raw)
	}
	var text strings.Builder
	write(&text, rand.New(rand.NewPCG(w.style, 1)), w.body)
	return text.String()
}

// write writes JSON in one of the many ways in which the same can be written.
func write(to *strings.Builder, rng *rand.Rand, value any) {
	space := func() {
		if rng.IntN(10) == 0 {
			to.WriteString([]string{" ", "\n", "\t", "\r\n  "}[rng.IntN(4)])
		}
	}
	space()
	switch v := value.(type) {
	case map[string]any:
		to.WriteByte('{')
		names := slices.Sorted(maps.Keys(v))
		rng.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
		for i, name := range names {
			if i > 0 {
				to.WriteByte(',')
			}
			write(to, rng, name)
			to.WriteByte(':')
			write(to, rng, v[name])
		}
		to.WriteByte('}')
	case []any:
		to.WriteByte('[')
		for i, one := range v {
			if i > 0 {
				to.WriteByte(',')
			}
			write(to, rng, one)
		}
		to.WriteByte(']')
	case unwritten:
		to.WriteString(string(v))
	case json.Number:
		to.WriteString(written(rng, v))
	default:
		text, _ := json.Marshal(v)
		if s, is := v.(string); is && rng.IntN(10) == 0 && s != "" && s[0] < 0x80 && s[0] != '\\' && s[0] != '"' && s[0] >= ' ' {
			text = slices.Concat([]byte(fmt.Sprintf(`"\u%04x`, s[0])), text[1+writtenLength(s[0]):])
		}
		to.Write(text)
	}
	space()
}

// writtenLength is how many bytes json.Marshal writes an ASCII character with.
func writtenLength(c byte) int {
	text, _ := json.Marshal(string(rune(c)))
	return len(text) - 2
}

// written is a number, now and then in another way: 6, 6.0, 60e-1.
func written(rng *rand.Rand, n json.Number) string {
	if _, err := strconv.ParseInt(n.String(), 10, 32); err != nil || n == "0" || rng.IntN(8) > 0 {
		return n.String()
	}
	return n.String() + []string{".0", "e0", "0e-1", ".00E+0"}[rng.IntN(4)]
}

// unwritten is a piece of text that stands where a JSON value should.
type unwritten string

// plain is a value as it stands in a URL.
func plain(value any) string { return fmt.Sprint(value) }

// value draws one that fits a schema. The name of the field says what it may be about.
func (d *drawer) value(ref *openapi3.SchemaRef, name string) any {
	s := ref.Value
	switch {
	case strings.HasSuffix(ref.Ref, "/Slug"):
		return d.slug(kindOfName(name))
	case strings.HasSuffix(ref.Ref, "/TypedCode"), name == "subject":
		return d.code(name)
	case len(s.Enum) > 0:
		return pick(d, s.Enum)
	case s.Type.Permits(openapi3.TypeNull) && d.chance(20):
		return nil
	case s.Type.Permits(openapi3.TypeObject):
		return d.object(s)
	case s.Type.Permits(openapi3.TypeArray):
		return d.array(s, name)
	case s.Type.Permits(openapi3.TypeString):
		return d.string(s, name)
	case s.Type.Permits(openapi3.TypeInteger):
		return d.integer(s)
	case s.Type.Permits(openapi3.TypeNumber):
		return d.number(s)
	case s.Type.Permits(openapi3.TypeBoolean):
		return d.chance(50)
	}
	panic(fmt.Sprintf("the document has a schema of %v at %s: say how to draw it", s.Type, name))
}

// object draws the members that are required and some of the others, until the rules across them hold.
func (d *drawer) object(s *openapi3.Schema) any {
	for range 300 {
		often := pick(d, []int{0, 20, 20, 50, 90})
		drawn := map[string]any{}
		for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
			if slices.Contains(s.Required, name) || d.chance(often) {
				drawn[name] = d.value(s.Properties[name], name)
			}
		}
		if of := s.AdditionalProperties.Schema; of != nil {
			for range d.rng.IntN(4) {
				drawn[pick(d, []string{"cream_35", "couverture_dark_60", "white_sugar", "honey", "no such thing", "é", ""})] = d.value(of, "")
			}
		}
		if holdsAcross(s, drawn) && uint64(len(drawn)) >= s.MinProps {
			return drawn
		}
	}
	panic(fmt.Sprintf("no luck with the rules across %v", slices.Sorted(maps.Keys(s.Properties))))
}

// holdsAcross says whether the rules of a schema across the members of an object hold: those are in words of
// required, not, oneOf, anyOf, and of enum in a member.
func holdsAcross(s *openapi3.Schema, object map[string]any) bool {
	for _, name := range s.Required {
		if _, has := object[name]; !has {
			return false
		}
	}
	for name, of := range s.Properties {
		if value, has := object[name]; has && len(of.Value.Enum) > 0 && !slices.Contains(of.Value.Enum, value) {
			return false
		}
	}
	holding := func(refs openapi3.SchemaRefs) (n int) {
		for _, ref := range refs {
			if holdsAcross(ref.Value, object) {
				n++
			}
		}
		return n
	}
	return (len(s.OneOf) == 0 || holding(s.OneOf) == 1) && (len(s.AnyOf) == 0 || holding(s.AnyOf) > 0) &&
		(s.Not == nil || !holdsAcross(s.Not.Value, object))
}

func (d *drawer) array(s *openapi3.Schema, name string) any {
	least, most := int(s.MinItems), 3
	if s.MaxItems != nil {
		most = min(most, int(*s.MaxItems))
	}
	drawn := []any{}
	for range least + d.rng.IntN(1+max(0, most-least)) {
		one := d.value(s.Items, name)
		if s.UniqueItems && slices.ContainsFunc(drawn, func(other any) bool { return fmt.Sprint(other) == fmt.Sprint(one) }) {
			continue
		}
		drawn = append(drawn, one)
	}
	for uint64(len(drawn)) < s.MinItems {
		drawn = append(drawn, d.value(s.Items, name))
	}
	return drawn
}

// integer draws the edges now and then, and else something that a person might send.
func (d *drawer) integer(s *openapi3.Schema) any {
	least, most := int64(0), int64(maxInteger)
	if s.Min != nil {
		least = int64(*s.Min)
	}
	if s.Max != nil {
		most = int64(*s.Max)
	}
	n := least + d.rng.Int64N(min(most-least, 30)+1)
	switch d.rng.IntN(20) {
	case 0:
		n = least
	case 1:
		n = most
	case 2:
		n = least + d.rng.Int64N(most-least+1)
	}
	return json.Number(strconv.FormatInt(n, 10))
}

// number draws grams to the milligram, and other numbers to a few digits.
func (d *drawer) number(s *openapi3.Schema) any {
	least, most := 0.0, 1e6
	if s.Min != nil {
		least = *s.Min
	}
	if s.Max != nil {
		most = *s.Max
	}
	n := least + d.rng.Float64()*min(most-least, 500)
	switch d.rng.IntN(20) {
	case 0:
		n = least
	case 1:
		n = most
	case 2, 3, 4, 5:
		n = math.Round(n)
	}
	n = min(most, max(least, math.Round(n*1000)/1000))
	return json.Number(strconv.FormatFloat(n, 'f', -1, 64))
}

var zones = []string{"Europe/Dublin", "Pacific/Auckland", "America/St_Johns", "UTC", "Asia/Kathmandu"}

func (d *drawer) string(s *openapi3.Schema, name string) any {
	switch {
	case name == "time_zone":
		return pick(d, zones)
	case name == "gtin": // one that checks: any other is refused
		return pick(d, []string{"9521234543213", "09521234543213", "95291703", "071276842687", "2307924402681", "99520497465075"})
	case s.Format == "date":
		return d.day()
	case s.Format == "date-time":
		return d.instant(name)
	case s.Format == "uuid":
		if len(d.ids) > 0 && d.chance(85) {
			return pick(d, d.ids)
		}
		return uuid.UUID(d.bytes16()).String()
	case s.Pattern != "" && s.Pattern != `\S`:
		return d.like(s)
	}
	least, most := int(s.MinLength), 12
	if s.MaxLength != nil {
		most = min(most, int(*s.MaxLength))
		if d.chance(3) {
			least = int(*s.MaxLength)
			most = least
		}
	}
	text := make([]rune, least+d.rng.IntN(1+max(0, most-least)))
	for i := range text {
		text[i] = pick(d, []rune("abc XYZ09-_.,:;!?'\"\\/&<>%+éüßñ√漢字🍫\t\n\u00a0\u200b\ufeff\u2028"))
	}
	if len(text) > 0 && s.Pattern != "" {
		text[0] = 'x'
	}
	return string(text)
}

func (d *drawer) bytes16() (b [16]byte) {
	for i := range b {
		b[i] = byte(d.rng.IntN(256))
	}
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return b
}

func (d *drawer) day() any {
	if d.chance(5) {
		return pick(d, []string{"0001-01-01", "1970-01-01", "2024-02-29", "9999-12-31", "2000-02-29"})
	}
	return d.now.AddDate(0, 0, d.rng.IntN(90)-30).Format(time.DateOnly)
}

func (d *drawer) instant(name string) any {
	at := d.now.Add(-time.Duration(d.rng.Int64N(int64(3 * time.Hour))))
	switch {
	case name == "now": // of the clock, which goes forward only: slowly, that the day lasts
		at = d.now.Add(time.Duration(d.rng.IntN(20)-5) * time.Minute)
	case d.chance(5):
		return pick(d, []string{"0001-01-01T00:00:00Z", "1969-12-31T23:59:59Z", "9999-12-31T23:59:59.999999Z", "2024-02-29T12:00:00+14:00", "0000-01-01T00:00:00Z"})
	case d.chance(15):
		at = d.now.AddDate(0, 0, -d.rng.IntN(60))
	case d.chance(10):
		at = d.now.Add(time.Duration(d.rng.Int64N(int64(time.Hour))))
	}
	zone := time.FixedZone("", (d.rng.IntN(57)-28)*30*60)
	return at.In(zone).Format(pick(d, []string{time.RFC3339, time.RFC3339Nano, "2006-01-02T15:04:05.000Z07:00"}))
}

// slug draws a name: mostly one of its kind that the book has.
func (d *drawer) slug(kind string) string {
	if known := d.slugs[kind]; len(known) > 0 && d.chance(85) {
		return pick(d, known)
	}
	if d.chance(50) {
		return pick(d, slices.Concat(d.slugs["places"], d.slugs["ingredients"], d.slugs["vats"], d.slugs["designs"]))
	}
	slug := pick(d, []string{"a", "0", "a-b", "no-such-thing", "9-9-9", strings.Repeat("x", 64), "c" + strconv.Itoa(d.rng.IntN(100))})
	return slug
}

// kindOfName says what a field or parameter names.
func kindOfName(name string) string {
	switch name {
	case "from", "to", "broken_to":
		return "places"
	case "quid":
		return "ingredients"
	}
	return name + "s"
}

// pathName is what a parameter of the path is about.
func (d *drawer) pathName(op *operation, name string) string {
	if name != "slug" {
		return name
	}
	steps := strings.Split(op.route.Path, "/")
	return strings.TrimSuffix(steps[slices.Index(steps, "{slug}")-1], "s")
}

// kindsOfCode are the kinds of code that a field mostly holds.
var kindsOfCode = map[string]string{"source": "LLGGC", "code": "RRRBLGC", "subject": "RLGCB", "run": "RRRRB"}

// code draws one as people type them: mostly of the book, sometimes with a slip.
func (d *drawer) code(name string) string {
	if name == "subject" && d.chance(30) {
		return d.slug(pick(d, []string{"places", "vats"}))
	}
	kinds := kindsOfCode[name]
	known := d.codes[kinds[d.rng.IntN(len(kinds))]]
	switch roll := d.rng.IntN(100); {
	case roll < 4:
		return pick(d, []string{"R261125-03-4", "x", "R", "L261125-01", strings.Repeat("9", 64), "é", " ", "B261125-01.1", "R261125-03.0-3", "../x", "a%2Fb"})
	case roll < 8 || len(known) == 0:
		return strange(pick(d, []events.Kind{events.KindLot, events.KindCharge, events.KindGanache, events.KindRun, events.KindBox}), d.rng.IntN(9))
	case roll < 20:
		return strings.ToLower(strings.ReplaceAll(pick(d, known), "-", pick(d, []string{"", " ", "-"})))
	}
	return pick(d, known)
}

// key is an idempotency key that was not used yet, in one of its forms.
func (d *drawer) key() string {
	d.keys++
	key := fmt.Sprintf("f%d", d.keys)
	switch d.rng.IntN(12) {
	case 0:
		return `"` + key + `"`
	case 1:
		return key + strings.Repeat("~", maxKey-len(key))
	case 2:
		return `"` + key + strings.Repeat("!", maxKey-len(key)) + `"`
	case 3:
		return key + `"\'{}`
	}
	return key
}

// cursor draws one that this list gave, or one of another, or none at all.
func (d *drawer) cursor(route string) string {
	if own := d.pages[route]; len(own) > 0 && d.chance(70) {
		return pick(d, own)
	}
	for _, other := range slices.Sorted(maps.Keys(d.pages)) {
		if d.chance(50) {
			return pick(d, d.pages[other])
		}
	}
	return pick(d, []string{"x", "e30", "bnVsbA", "W10", "eyJsIjoiIiwiZSI6IiIsInAiOjAsImEiOm51bGx9", strings.Repeat("A", 2000), "é", "%"})
}

// like draws a text of a regular expression.
func (d *drawer) like(s *openapi3.Schema) string {
	pattern, err := syntax.Parse(s.Pattern, syntax.Perl)
	if err != nil {
		panic(err)
	}
	fits := regexp.MustCompile(s.Pattern)
	for range 100 {
		text := d.sample(pattern)
		if fits.MatchString(text) && (s.MaxLength == nil || uint64(len(text)) <= *s.MaxLength) && uint64(len(text)) >= s.MinLength {
			return text
		}
	}
	panic("no luck with the pattern " + s.Pattern)
}

func (d *drawer) sample(re *syntax.Regexp) string {
	repeat := func(least, most int) string {
		var text strings.Builder
		for range least + d.rng.IntN(most-least+1) {
			text.WriteString(d.sample(re.Sub[0]))
		}
		return text.String()
	}
	switch re.Op {
	case syntax.OpLiteral:
		return string(re.Rune)
	case syntax.OpCharClass:
		i := 2 * d.rng.IntN(len(re.Rune)/2)
		return string(re.Rune[i] + d.rng.Int32N(re.Rune[i+1]-re.Rune[i]+1))
	case syntax.OpConcat:
		var text strings.Builder
		for _, sub := range re.Sub {
			text.WriteString(d.sample(sub))
		}
		return text.String()
	case syntax.OpAlternate:
		return d.sample(pick(d, re.Sub))
	case syntax.OpCapture:
		return d.sample(re.Sub[0])
	case syntax.OpStar:
		return repeat(0, 4)
	case syntax.OpPlus:
		return repeat(1, 4)
	case syntax.OpQuest:
		return repeat(0, 1)
	case syntax.OpRepeat:
		most := re.Max
		if most < 0 {
			most = re.Min + 4
		}
		return repeat(re.Min, most)
	case syntax.OpBeginText, syntax.OpEndText, syntax.OpEmptyMatch:
		return ""
	}
	panic(fmt.Sprintf("the document has a pattern with %v in it: say how to draw it", re.Op))
}
