package reliability_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A canary is a program that breaks a promise, and the test that must notice. The program is this one with a few words
// of its source exchanged, so that nothing of it is in the product.
type canary struct {
	name   string
	breaks []exchange
	tests  string // its package
	run    string
	says   string // what the test says of it
}

// An exchange is of words that stand once in a file.
type exchange struct{ file, old, broken string }

var (
	// shortGuard has a test that waits for what must happen give up sooner: here it never happens.
	shortGuard = exchange{"internal/reliability/wire_book_test.go", "const guard = 2 * time.Minute", "const guard = 30 * time.Second"}
	// retriesBlindly writes a group again whose answer was lost, without a look at what became of it or at its keys.
	retriesBlindly = []exchange{
		{"internal/book/committer.go", "committed, err = c.wasCommitted(d)", "committed, err = false, nil"},
		{"internal/book/draft.go", "eventlog.QueueFindKeys(b, keys, d.answered)", "_ = keys"},
		{"internal/events/eventlog/idempotency.go", "unnest($6::uuid[]), unnest($7::timestamptz[])`", "unnest($6::uuid[]), unnest($7::timestamptz[]) ON CONFLICT DO NOTHING`"},
	}
)

var canaries = []canary{
	{"it retries blindly", retriesBlindly, "internal/reliability", "TestCommitsWhoseAnswersAreCut", "was told to be recorded, and the log has it"},
	{"it retries blindly what was only slow", retriesBlindly, "internal/reliability", "TestACommitDelayedPastTheCallersPatience", "it was carried out when it was sent first"},
	{
		"it takes what it has not heard for success",
		[]exchange{{"internal/book/committer.go", "committed, err = c.wasCommitted(d)", "committed, err = true, nil"}},
		"api", "TestEveryCommandSurvivesEveryBrokenCall/gate", "nth_call_test.go",
	},
	{
		"it calls a broken connection a fault",
		[]exchange{{"internal/events/eventlog/away.go", "return errors.As(err, &connect) ||", "return false && errors.As(err, &connect) && "}},
		"internal/reliability", "TestNetworkFaults/reset", "neither an answer nor a proper 503",
	},
	{
		"it waits for ever for a database that says nothing",
		[]exchange{shortGuard, {"api/limits.go", "context.WithTimeout(c.Request().Context(), wait)", "context.WithTimeout(c.Request().Context(), wait*1000)"}},
		"internal/reliability", "TestNetworkFaults/everything", "no answer within",
	},
	{
		"it says written where there was no room",
		[]exchange{{"internal/book/committer.go", "		if fateOf(err) != mayPass {", "		if eventlog.Full(err) {\n\t\t\treturn d.results\n\t\t}\n\t\tif fateOf(err) != mayPass {"}},
		"internal/reliability", "TestTheDiskOfTheDataIsFull", "the disk is full, and it never mattered",
	},
	{
		"it says ready where there is no room",
		[]exchange{{"internal/book/vitals.go", "		v.full = true", "		v.full = false"}},
		"internal/reliability", "TestTheDiskOfTheDataIsFull", "expected: 503",
	},
	{
		"nobody starts the server again",
		[]exchange{shortGuard, {"internal/pgboot/keep.go", "p, pause = s.again(ctx, pause)", "p, pause = nil, 2*pause"}},
		"internal/reliability", "TestTheDiskOfTheLogIsFull", "was put off",
	},
}

// TestCanaries runs the tests of this package against programs that break what they are for: each must be caught.
func TestCanaries(t *testing.T) {
	root, err := filepath.Abs("../..")
	require.NoError(t, err)
	for _, c := range canaries {
		t.Run(c.name, func(t *testing.T) {
			overlay := c.overlay(t, root) // in the ordinary run too: the words are still there
			if !long() {
				return
			}
			cmd := exec.CommandContext(t.Context(), "go", "test", "-count=1", "-timeout=8m", "-overlay="+overlay, "-run=^"+strings.ReplaceAll(c.run, "/", "$/^"), "firstout/"+c.tests)
			cmd.Dir = root
			cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "FIRSTOUT_") })
			said, err := cmd.CombinedOutput()
			require.Error(t, err, "it was not noticed:\n%s", said)
			require.NotContains(t, string(said), "build failed")
			require.Contains(t, string(said), c.says)
		})
	}
}

// overlay writes the broken files down, and which they stand for.
func (c canary) overlay(t *testing.T, root string) string {
	t.Helper()
	dir := t.TempDir()
	replace := map[string]string{}
	for i, e := range c.breaks {
		path := filepath.Join(root, e.file)
		from, again := replace[path], true
		if from == "" {
			from, again = path, false
		}
		source, err := os.ReadFile(from)
		require.NoError(t, err)
		require.Equal(t, 1, strings.Count(string(source), e.old), "%s no longer has once: %s", e.file, e.old)
		if !again {
			replace[path] = filepath.Join(dir, string(rune('a'+i))+".go")
		}
		require.NoError(t, os.WriteFile(replace[path], []byte(strings.Replace(string(source), e.old, e.broken, 1)), 0o600))
	}
	text, err := json.Marshal(map[string]any{"Replace": replace})
	require.NoError(t, err)
	path := filepath.Join(dir, "overlay.json")
	require.NoError(t, os.WriteFile(path, text, 0o600))
	return path
}
