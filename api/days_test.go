package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A day in the workshop is a plain text: what people send, what they should get, and why. One line, one step:
//
//	# why the next request is made
//	after setup/quay-lane.txt      another script first, by its path in testdata/days
//	clock 2026-11-25T08:00:00Z     the book's clock, forward
//	as maker                       whose key the next requests carry: roles, or nobody
//	POST /v1/lots                  a request; an Idempotency-Key comes by itself
//	Idempotency-Key: till-000231   a header of it; with no value it is left out
//	{"ingredient":"cream-35"}      its body, on one line or several, up to expect
//	expect 201                     its status; then what the answer holds:
//	header Idempotency-Replayed = true
//	on_hand_g = 6000               a path of names and places, and its value as JSON; numbers by value
//	use_by.limits[name=opened_ingredient].date = "2026-11-28"    the first entry that has this value
//	lots has 2                     so many entries or members
//	detail ~ "only 3"              a text holds a text, a list an entry
//	sell_by absent                 no such member
//	code -> $cream                 the value under a name, for later paths, bodies and values
//	again                          the last request once more, and its first answer, marked as replayed
//
// Every request that is taken and every answer is held against the document on the way.
type day struct {
	t     *testing.T
	keys  func(roles ...string) client
	clock func(now string)
	fail  func(why string) // does not return

	caller client
	names  map[string]string // $name → JSON
	line   int

	method, target, body string
	headers              []string
	last                 answer
	number               int
}

// days is the folder of the scripts.
const days = "../testdata/days"

// playDay plays a script. keys gives a client with a key of these roles, clock moves the book's clock.
func playDay(t *testing.T, script string, keys func(roles ...string) client, clock func(now string)) {
	t.Helper()
	d := &day{t: t, keys: keys, clock: clock, names: map[string]string{}}
	d.fail = func(why string) {
		t.Helper()
		require.FailNow(t, why)
	}
	d.play(script)
}

func (d *day) play(script string) {
	d.t.Helper()
	lines := strings.Split(script, "\n")
	for d.line = 0; d.line < len(lines); d.line++ {
		text := strings.TrimSpace(lines[d.line])
		if text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		if requestLine.MatchString(text) {
			d.request(text, lines)
			continue
		}
		d.step(text)
	}
}

var (
	requestLine = regexp.MustCompile(`^(GET|POST|PUT|DELETE|PATCH) (/\S*)$`)
	headerLine  = regexp.MustCompile(`^([A-Z][A-Za-z-]+):\s*(.*)$`)
	nameUsed    = regexp.MustCompile(`\$[a-z_0-9]+`)
)

// want fails with the script's own line.
func (d *day) want(ok bool, format string, args ...any) {
	d.t.Helper()
	if !ok {
		d.fail(fmt.Sprintf("line %d: ", d.line+1) + fmt.Sprintf(format, args...))
	}
}

// request reads a request up to its expect, and sends it.
func (d *day) request(text string, lines []string) {
	d.t.Helper()
	parts := requestLine.FindStringSubmatch(text)
	d.method, d.target, d.headers = parts[1], d.inURL(parts[2]), nil
	var body []string
	for d.line++; d.line < len(lines); d.line++ {
		text := strings.TrimSpace(lines[d.line])
		header := headerLine.FindStringSubmatch(text)
		switch {
		case strings.HasPrefix(text, "expect "):
			d.body = d.inJSON(strings.Join(body, "\n"))
			d.expect(strings.TrimPrefix(text, "expect "))
			return
		case text == "" || strings.HasPrefix(text, "#"):
		case len(body) == 0 && header != nil:
			d.headers = append(d.headers, header[1], header[2])
		default:
			body = append(body, lines[d.line])
		}
	}
	d.want(false, "a request without expect")
}

func (d *day) expect(status string) {
	d.t.Helper()
	code, err := strconv.Atoi(status)
	d.want(err == nil, "%q is no status", status)
	if d.method == http.MethodPost && !d.gives(headerIdempotencyKey) {
		d.number++
		d.headers = append(d.headers, headerIdempotencyKey, fmt.Sprintf("day-%d", d.number))
	}
	d.last = d.caller.do(d.t, d.method, d.target, d.body, d.headers...)
	d.want(d.last.Status == code, "%s %s: wanted %d, got %d %s", d.method, d.target, code, d.last.Status, d.last.Body)
}

func (d *day) gives(header string) bool {
	for i := 0; i < len(d.headers); i += 2 {
		if strings.EqualFold(d.headers[i], header) {
			return true
		}
	}
	return false
}

// step takes a line that is no request.
func (d *day) step(text string) {
	d.t.Helper()
	word, rest, _ := strings.Cut(text, " ")
	switch word {
	case "after":
		before, err := os.ReadFile(filepath.Join(days, rest))
		d.want(err == nil, "%v", err)
		line := d.line
		d.play(string(before))
		d.line = line
	case "clock":
		_, err := time.Parse(time.RFC3339, rest)
		d.want(err == nil, "%q is no instant", rest)
		d.clock(rest)
	case "as":
		if rest == "nobody" {
			d.caller = client{handler: d.keys().handler}
		} else {
			d.caller = d.keys(strings.Fields(rest)...)
		}
	case "again":
		d.again()
	case "header":
		name, value, ok := strings.Cut(rest, " = ")
		d.want(ok, "a header has a value: header NAME = VALUE")
		d.want(d.last.Header.Get(name) == value, "header %s: wanted %q, got %q", name, value, d.last.Header.Get(name))
	default:
		d.check(text)
	}
}

func (d *day) again() {
	d.t.Helper()
	first := d.last
	d.last = d.caller.do(d.t, d.method, d.target, d.body, d.headers...)
	d.want(d.last.Status == first.Status && bytes.Equal(d.last.Body, first.Body),
		"wanted the first answer again: %d %s, got %d %s", first.Status, first.Body, d.last.Status, d.last.Body)
	d.want(d.last.Header.Get("Idempotency-Replayed") == "true", "the answer is not marked as replayed")
}

// check looks at the last answer.
func (d *day) check(text string) {
	d.t.Helper()
	if path, ok := strings.CutSuffix(text, " absent"); ok {
		value, found := d.find(path)
		d.want(!found, "%s: wanted nothing, got %s", path, shown(value))
		return
	}
	for _, sign := range []string{" -> ", " = ", " ~ ", " has "} {
		path, right, ok := strings.Cut(text, sign)
		if !ok {
			continue
		}
		value, found := d.find(path)
		d.want(found, "%s is not in %s", path, d.last.Body)
		switch sign {
		case " -> ":
			d.names[right] = shown(value)
		case " = ":
			wanted := d.inJSON(right)
			d.want(canonical(d.t, shown(value)) == canonical(d.t, wanted), "%s: wanted %s, got %s", path, wanted, shown(value))
		case " ~ ":
			d.want(holdsValue(d.t, value, d.inJSON(right)), "%s: wanted it to hold %s, got %s", path, right, shown(value))
		case " has ":
			d.want(strconv.Itoa(size(value)) == right, "%s: wanted %s, got %d in %s", path, right, size(value), shown(value))
		}
		return
	}
	d.want(false, "this is no step: %s", text)
}

var pathStep = regexp.MustCompile(`^([^.\[]*)(?:\[([a-z_]+)=([^\]]*)\])?(?:\.|$)`)

// find goes down a path in the last answer.
func (d *day) find(path string) (any, bool) {
	d.t.Helper()
	value := d.last.json()
	for rest := strings.TrimSpace(path); rest != ""; {
		step := pathStep.FindStringSubmatch(rest)
		d.want(step != nil && step[0] != "", "%q is no path", path)
		rest = rest[len(step[0]):]
		var found bool
		if value, found = down(value, step[1]); found && step[2] != "" {
			value, found = entryWith(value, step[2], d.inURL(step[3]))
		}
		if !found {
			return nil, false
		}
	}
	return value, true
}

func down(value any, step string) (any, bool) {
	switch v := value.(type) {
	case map[string]any:
		member, found := v[step]
		return member, found
	case []any:
		i, err := strconv.Atoi(step)
		if err != nil || i < 0 || i >= len(v) {
			return nil, false
		}
		return v[i], true
	}
	return nil, false
}

func entryWith(value any, member, wanted string) (any, bool) {
	entries, _ := value.([]any)
	for _, entry := range entries {
		if m, is := entry.(map[string]any); is && fmt.Sprint(m[member]) == wanted {
			return entry, true
		}
	}
	return nil, false
}

func size(value any) int {
	switch v := value.(type) {
	case []any:
		return len(v)
	case map[string]any:
		return len(v)
	}
	return -1
}

// holdsValue says whether a text holds a text, or a list an entry.
func holdsValue(t *testing.T, value any, wanted string) bool {
	t.Helper()
	switch v := value.(type) {
	case string:
		var part string
		require.NoError(t, json.Unmarshal([]byte(wanted), &part))
		return strings.Contains(v, part)
	case []any:
		for _, entry := range v {
			if canonical(t, shown(entry)) == canonical(t, wanted) {
				return true
			}
		}
	}
	return false
}

// inJSON puts the values of names into a JSON text, each as it was found: "$cream" in quotes stands for a text.
func (d *day) inJSON(text string) string {
	d.t.Helper()
	text = regexp.MustCompile(`"\$[a-z_0-9]+"`).ReplaceAllStringFunc(text, func(quoted string) string {
		return d.named(strings.Trim(quoted, `"`))
	})
	return nameUsed.ReplaceAllStringFunc(text, func(name string) string { return strings.Trim(d.named(name), `"`) })
}

// inURL puts the values of names into a URL.
func (d *day) inURL(text string) string {
	d.t.Helper()
	return nameUsed.ReplaceAllStringFunc(text, func(name string) string { return strings.Trim(d.named(name), `"`) })
}

func (d *day) named(name string) string {
	d.t.Helper()
	value, known := d.names[name]
	d.want(known, "%s has no value yet", name)
	return value
}

// shown writes a value as JSON.
func shown(value any) string {
	text, _ := json.Marshal(value) // it was JSON a moment ago
	return string(text)
}

// canonical writes a JSON text so that equal values are equal texts.
func canonical(t *testing.T, text string) string {
	t.Helper()
	var value any
	require.NoError(t, json.Unmarshal([]byte(text), &value), "%s", text)
	return shown(value)
}

// TestDays plays every day of testdata/days, each in a book of its own that is checked at the end.
func TestDays(t *testing.T) {
	t.Parallel()
	scripts, err := filepath.Glob(filepath.Join(days, "*.txt"))
	require.NoError(t, err)
	require.NotEmpty(t, scripts)
	for _, path := range scripts {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			script, err := os.ReadFile(path)
			require.NoError(t, err)
			b := newTestBook(t)
			playDay(t, string(script), b.as, b.at)
		})
	}
}
