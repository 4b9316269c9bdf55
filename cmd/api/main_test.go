package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
)

// TestMain wants no goroutine left when all processes have ended.
func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// folder is a data folder that a PostgreSQL of ours can use, also as root.
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "firstout-test-") //nolint:usetesting // the server's own user cannot enter t.TempDir
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// environment is a process environment with a private data folder and nothing else of ours.
func environment(t *testing.T, more ...string) []string {
	t.Helper()
	return append([]string{"PATH=" + os.Getenv("PATH"), "FIRSTOUT_DATA=" + folder(t), "FIRSTOUT_ADDR=127.0.0.1:0"}, more...)
}

// lines collects what a process says and lets a test wait for a line.
type lines struct {
	mu   sync.Mutex
	text bytes.Buffer
	more chan struct{}
}

func newLines() *lines { return &lines{more: make(chan struct{}, 1)} }

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	select {
	case l.more <- struct{}{}:
	default:
	}
	return l.text.Write(p)
}

func (l *lines) wait(t *testing.T, pattern string) []string {
	t.Helper()
	for limit := time.After(2 * time.Minute); ; {
		l.mu.Lock()
		found := regexp.MustCompile(pattern).FindStringSubmatch(l.text.String())
		said := l.text.String()
		l.mu.Unlock()
		if found != nil {
			return found
		}
		select {
		case <-l.more:
		case <-limit:
			t.Fatalf("no line like %s in:\n%s", pattern, said)
		}
	}
}

// served starts serve and gives its address; the test's end stops it and wants a clean one.
func served(t *testing.T, environ []string, args ...string) string {
	t.Helper()
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	out, ended := newLines(), make(chan error, 1)
	go func() { ended <- run(ctx, append([]string{"serve"}, args...), environ, out) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-ended)
	})
	return "http://" + out.wait(t, `"msg":"serving","address":"([^"]+)"`)[1]
}

func key(t *testing.T, environ []string, name string, roles ...string) string {
	t.Helper()
	args := []string{"keys", "create", "--name", name}
	for _, role := range roles {
		args = append(args, "--role", role)
	}
	var out bytes.Buffer
	require.NoError(t, run(t.Context(), args, environ, &out))
	said := strings.Split(strings.TrimSpace(out.String()), "\n")
	return said[len(said)-1]
}

// TestTheDayInTheREADME runs the shell block of the README line by line against a new book: every request must
// succeed, and what the text promises must be in the answers.
func TestTheDayInTheREADME(t *testing.T) {
	t.Parallel()
	environ := environment(t)
	base := served(t, environ, "--book", "test")
	day := &readmeDay{t: t, base: base + "/v1/", key: key(t, environ, "me", "owner"), variables: map[string]string{
		"SOON": time.Now().AddDate(0, 0, 9).Format(time.DateOnly), "LATER": time.Now().AddDate(0, 0, 200).Format(time.DateOnly),
		"TODAY": time.Now().Format(time.DateOnly),
	}}
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	_, block, found := strings.Cut(string(text), "```bash\n")
	require.True(t, found)
	block, _, _ = strings.Cut(block, "```")
	_, block, found = strings.Cut(block, "# What the shop is")
	require.True(t, found)
	for line := range strings.Lines(block) {
		day.line(strings.TrimSpace(line))
	}
	require.Contains(t, day.answers["get board?place=counter"], `"must_go_today"`)
	require.Contains(t, day.answers["get trace/$RUN/back"], `"supplier_lot":"MD-401"`)
	require.Contains(t, day.answers["get trace/$CREAM/forward"], `"reference":"till-000001"`)
	require.Contains(t, day.answers["get balances/$CREAM"], `"difference_g":0`)
	require.Contains(t, day.answers[`get waste?from=$TODAY&to=$TODAY&by=reason`], `"damaged"`)
}

// readmeDay interprets the few words of shell that the README's day uses, so that the test needs no shell and no curl.
type readmeDay struct {
	t         *testing.T
	base, key string
	variables map[string]string
	answers   map[string]string
}

var readmeLine = regexp.MustCompile(`^(?:(\w+)=\$\()?(put|post|get) (\S+|'[^']*')(?: (.*?))?(?: \| of (\w+)\))?$`)

func (d *readmeDay) line(line string) {
	found := readmeLine.FindStringSubmatch(line)
	if found == nil {
		require.True(d.t, line == "" || strings.HasPrefix(line, "#") || !strings.Contains(line, "{"), "a line this test does not read: %s", line)
		return
	}
	method := map[string]string{"put": http.MethodPut, "post": http.MethodPost, "get": http.MethodGet}[found[2]]
	path := d.expand(strings.Trim(found[3], `'"`))
	body := strings.ReplaceAll(d.expand(strings.TrimSuffix(strings.TrimPrefix(strings.ReplaceAll(found[4], `'$`, `$`), "'"), "'")), "'", "")
	request, err := http.NewRequestWithContext(d.t.Context(), method, d.base+path, strings.NewReader(body))
	require.NoError(d.t, err)
	request.Header.Set("Authorization", "Bearer "+d.key)
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("Idempotency-Key", uuid.NewString())
	response, err := http.DefaultClient.Do(request)
	require.NoError(d.t, err)
	answer, err := io.ReadAll(response.Body)
	require.NoError(d.t, err)
	require.NoError(d.t, response.Body.Close())
	require.Less(d.t, response.StatusCode, 300, "%s: %s", line, answer)
	if d.answers == nil {
		d.answers = map[string]string{}
	}
	d.answers[found[2]+" "+strings.Trim(found[3], `'"`)] = string(answer)
	if found[1] != "" {
		code := regexp.MustCompile(`"` + found[5] + `":"([^"]+)"`).FindSubmatch(answer)
		require.NotNil(d.t, code, "%s: no %s in %s", line, found[5], answer)
		d.variables[found[1]] = string(code[1])
	}
}

func (d *readmeDay) expand(text string) string {
	return os.Expand(text, func(name string) string {
		value, known := d.variables[name]
		require.True(d.t, known, "no variable %s", name)
		return value
	})
}

// TestADemoOfFourDays plays a short demo from its command to its end.
func TestADemoOfFourDays(t *testing.T) {
	t.Parallel()
	out := newLines()
	require.NoError(t, run(t.Context(), []string{"demo", "--exit", "--days", "4"}, []string{"PATH=" + os.Getenv("PATH")}, out))
	out.wait(t, `What must sell today at the counter`)
	out.wait(t, `Pick list: 60 sea salt caramel squares`)
	out.wait(t, `[a-z]+-[a-z]+ +lot [A-Z]{2}-\d+ +\d+\.\d\d %`) // what goes first depends on the day of the week
	out.wait(t, `Thrown away from`)
}

// TestTheServingRole: what pg_stat_activity shows of serve owns nothing and may not touch what stands in the log.
func TestTheServingRole(t *testing.T) {
	t.Parallel()
	environ := environment(t)
	base := served(t, environ)
	secret := key(t, environ, "front", "counter")
	status, _ := get(t, base+"/readyz", "")
	require.Equal(t, http.StatusOK, status)
	status, body := get(t, base+"/v1/sites", secret)
	require.Equal(t, http.StatusOK, status)
	require.JSONEq(t, `{"sites":[],"next_cursor":null}`, body)
	status, body = get(t, base+"/v1/sites", "firstout_nobody")
	require.Equal(t, http.StatusUnauthorized, status)
	var problem struct {
		Type string `json:"type"`
	}
	require.NoError(t, json.Unmarshal([]byte(body), &problem))
	require.Equal(t, "/problems/unauthenticated", problem.Type)
}

func get(t *testing.T, url, key string) (status int, body string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	require.NoError(t, err)
	if key != "" {
		request.Header.Set("Authorization", "Bearer "+key)
	}
	response, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	text, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	return response.StatusCode, string(text)
}

func TestARealBookRefusesTheManualClock(t *testing.T) {
	t.Parallel()
	environ := environment(t, "FIRSTOUT_CLOCK=manual")
	err := run(t.Context(), []string{"serve"}, environ, io.Discard)
	require.ErrorContains(t, err, "manual clock")
}

func TestSettings(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		environ []string
		args    []string
		refused string
	}{
		{"a mistyped variable is an error", []string{"FIRSTOUT_ADRR=127.0.0.1:1"}, nil, "FIRSTOUT_ADRR is no setting: did you mean FIRSTOUT_ADDR?"},
		{"another one", []string{"FIRSTOUT_BEHINDPROXY=true"}, nil, "did you mean FIRSTOUT_BEHIND_PROXY?"},
		{"and one of TLS", []string{"FIRSTOUT_TLS_CERTIFICATE=x.pem"}, nil, "did you mean FIRSTOUT_TLS_CERT?"},
		{"one that is set to nothing is a mistake too", []string{"FIRSTOUT_CLOK="}, nil, "did you mean FIRSTOUT_CLOCK?"},
		{"what is not ours is not looked at", []string{"DATABASE_URI=postgres:///x", "FIRST=1"}, nil, ""},
		{"a setting set to nothing is not set", []string{"FIRSTOUT_RATE="}, nil, ""},
		{"no number", []string{"FIRSTOUT_RATE=many"}, nil, `FIRSTOUT_RATE: expected a whole number, not "many"`},
		{"no truth", []string{"FIRSTOUT_BEHIND_PROXY=perhaps"}, nil, "expected true or false"},
		{"no such flag", nil, []string{"--adr", "127.0.0.1:1"}, "firstout serve -h tells"},
		{"an argument", nil, []string{"now"}, `takes no argument "now"`},
		{"every address", nil, []string{"--addr", ":8080"}, "not on loopback"},
		{"another address with TLS", nil, []string{"--addr", "0.0.0.0:8080", "--tls-cert", "c.pem", "--tls-key", "k.pem"}, ""},
		{"all of 127.0.0.0/8 is loopback", nil, []string{"--addr", "127.0.0.53:8080"}, ""},
		{"another address without TLS", []string{"FIRSTOUT_ADDR=0.0.0.0:8080"}, nil, "not on loopback"},
		{"another address behind a proxy", []string{"FIRSTOUT_ADDR=0.0.0.0:8080", "FIRSTOUT_BEHIND_PROXY=true"}, nil, ""},
		{"half of TLS", []string{"FIRSTOUT_TLS_CERT=cert.pem"}, nil, "both a certificate file and a key file"},
		{"a clock that is none", nil, []string{"--clock", "sundial"}, "system or manual"},
		{"the owner's address alone", []string{"DATABASE_MIGRATE_URL=postgres:///x"}, nil, "without DATABASE_URL"},
		{"a flag stands over a variable", []string{"FIRSTOUT_ADDR=nonsense"}, []string{"--addr", "[::1]:0"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, err := readConfig(subcommand{name: "serve"}, c.args, c.environ, io.Discard)
			if c.refused == "" {
				require.NoError(t, err)
			} else {
				require.ErrorContains(t, err, c.refused)
			}
		})
	}
}

// TestRebuild rebuilds and compares a book while it is served.
func TestRebuild(t *testing.T) {
	t.Parallel()
	environ := environment(t)
	served(t, environ)
	var out bytes.Buffer
	require.NoError(t, run(t.Context(), []string{"rebuild"}, environ, &out))
	require.NoError(t, run(t.Context(), []string{"rebuild", "--check"}, environ, &out))
	require.Contains(t, out.String(), "what the log gives, row for row")
}
