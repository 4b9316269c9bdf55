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
	tests  string   // its package
	run    string   // which of them
	says   []string // what must be told of it, all of it
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
	{"it retries blindly", retriesBlindly, "internal/reliability", "TestCommitsWhoseAnswersAreCut", []string{"was told to be recorded, and the log has it"}},
	{"it retries blindly what was only slow", retriesBlindly, "internal/reliability", "TestACommitDelayedPastTheCallersPatience", []string{"it was carried out when it was sent first"}},
	{
		"it takes what it has not heard for success",
		[]exchange{{"internal/book/committer.go", "committed, err = c.wasCommitted(d)", "committed, err = true, nil"}},
		"api", "TestEveryCommandSurvivesEveryBrokenCall/gate",
		[]string{"nth_call_test.go"},
	},
	{
		"it calls a broken connection a fault",
		[]exchange{{"internal/events/eventlog/away.go", "return errors.As(err, &connect) ||", "return false && errors.As(err, &connect) && "}},
		"internal/reliability", "TestNetworkFaults/reset",
		[]string{"neither an answer nor a proper 503"},
	},
	{
		"it waits for ever for a database that says nothing",
		[]exchange{shortGuard, {"api/limits.go", "context.WithTimeout(c.Request().Context(), wait)", "context.WithTimeout(c.Request().Context(), wait*1000)"}},
		"internal/reliability", "TestNetworkFaults/everything",
		[]string{"no answer within"},
	},
	{
		"it says written where there was no room",
		[]exchange{{"internal/book/committer.go", "		if fateOf(err) != mayPass {", "		if eventlog.Full(err) {\n\t\t\treturn d.results\n\t\t}\n\t\tif fateOf(err) != mayPass {"}},
		"internal/reliability", "TestTheDiskOfTheDataIsFull",
		[]string{"the disk is full, and it never mattered"},
	},
	{
		"it says ready where there is no room",
		[]exchange{{"internal/book/vitals.go", "		v.full = true", "		v.full = false"}},
		"internal/reliability", "TestTheDiskOfTheDataIsFull",
		[]string{"expected: 503"},
	},
	{
		"nobody starts the server again",
		[]exchange{shortGuard, {"internal/pgboot/keep.go", "p, pause = s.again(ctx, pause)", "p, pause = nil, 2*pause"}},
		"internal/reliability", "TestTheDiskOfTheLogIsFull",
		[]string{"was put off"},
	},
	{
		"a caller that hangs up takes its group along",
		[]exchange{{"internal/book/committer.go", "context.WithTimeout(context.Background(), 3*c.patienceWith(group))", "context.WithTimeout(group[0].ctx, 3*c.patienceWith(group))"}},
		"internal/book", "TestACallerThatLeavesLateStopsNobody",
		[]string{"its command was carried out"},
	},
	{
		"it does not connect anew",
		[]exchange{
			shortGuard,
			{"internal/book/committer.go", "if c.conn != nil && !c.conn.IsClosed() {", "if c.conn != nil {"},
			{"internal/book/committer.go", "	c.conn = nil\n", ""},
		},
		"internal/reliability", "TestNetworkFaults/reset_once",
		[]string{"it does not go on by itself"},
	},
	{
		"it leaves its committer behind",
		[]exchange{{"internal/book/book.go", "		close(b.queue)\n", ""}, {"internal/book/book.go", "	<-b.drained\n", ""}},
		"internal/book", "TestARefusedCommandLeavesNoTrace",
		[]string{"found unexpected goroutines", "book.(*committer).run"},
	},
	{
		"it says ready whatever stands in the way",
		[]exchange{
			{"cmd/api/ready.go", "return inWords(err)", "return nil"},
			{"cmd/api/ready.go", "if err := check(ctx); err != nil {\n\t\t\treturn err", "if err := check(ctx); err != nil {\n\t\t\treturn nil"},
		},
		"cmd/api", "TestReadiness.*",
		[]string{
			"--- FAIL: TestReadiness/a_newer_schema", "--- FAIL: TestReadiness/an_older_schema", "--- FAIL: TestReadiness/read_only",
			"--- FAIL: TestReadinessOfWhatIsNotThere", "--- FAIL: TestReadinessOfABookInTrouble", "--- FAIL: TestReadinessOverHTTP",
		},
	},
	{
		"it does not say that writing stands still",
		[]exchange{{"internal/book/vitals.go", "if busy >= stuckAfter {", "if busy >= 1000*stuckAfter {"}},
		"internal/book", "TestACommitterThatStandsStillIsTold",
		[]string{"writing stands still", "in chain but got nil"},
	},
	{
		"it does not say that nothing may be written",
		[]exchange{{"internal/book/vitals.go", "	if standby {", "	if standby && false {"}},
		"internal/book", "TestAReadOnlyDatabaseIsTold",
		[]string{"the database takes no writes", "in chain but got nil"},
	},
	{
		"it does not say that the sealing stands still",
		[]exchange{{"cmd/api/sealstuck.go", "now.Sub(w.since) > sealPatience", "now.Sub(w.since) > 100*sealPatience"}},
		"cmd/api", "TestASealThatStandsStill",
		[]string{"An error is expected but got nil"},
	},
	{
		"it answers with what the document does not know",
		[]exchange{{"api/sales.go", "Channel: openapi.Channel(e.Channel)", `Channel: "pigeon"`}},
		"api", "TestTheServerKeepsToItsDocument/seed_1",
		[]string{"POST /v1/sales: 201 is off the document"},
	},
	{
		"it takes a body that says a thing twice",
		[]exchange{{"api/validate.go", "off = append(off, checkJSON(body)...)", "_ = body"}},
		"api", "TestTheServerKeepsToItsDocument/seed_1",
		[]string{"to a spoilt request, wanted 400 invalid-request"},
	},
	{
		"it takes a key that is too long",
		[]exchange{{"api/idempotency.go", "len(key) > maxKey", "len(key) > 2*maxKey"}},
		"api", "FuzzIdempotencyKey",
		[]string{"Should be true"},
	},
	{
		"it gives the owner's right away",
		[]exchange{{"api/roles.go", `"POST /v1/holds/:id/lifts":          ownerDoes,`, `"POST /v1/holds/:id/lifts": counterDoes,`}},
		"api", "TestRights",
		[]string{"POST /v1/holds/:id/lifts", "expected: 403"},
	},
	{
		"it tells what another site has",
		[]exchange{{"internal/workshop/ownsite.go", "return !stood(code) && !slices.ContainsFunc(d.withParts(code), stood)", "return stood(code) && false"}},
		"api", "TestAnotherSiteIsShut",
		[]string{"Not equal", "There is no"},
	},
	{
		"its gate goes by how an address is written",
		[]exchange{{"api/auth.go", `route := c.Request().Method + " " + c.Path()`, `route := c.Request().Method + " " + c.Request().URL.Path`}},
		"api", "TestOtherSpellings",
		[]string{"taken for"},
	},
	{
		"it does not compare the end of an export",
		[]exchange{{"internal/events/export/reader.go", "case bytes.Equal(got, want):", "case len(got) == len(want):"}},
		"internal/events/export", "TestNoByteCanChangeUnseen",
		[]string{"An error is expected but got nil", "byte "},
	},
	{
		"it does not compare the root of a checkpoint",
		[]exchange{{"internal/events/seal/verify.go", "if v.ahead[0].Root != v.tree.Root() {", "if v.ahead[0].Root != v.tree.Root() && false {"}},
		"internal/events/seal", "TestTamperingIsDetected",
		[]string{"Should be empty"},
	},
	{
		"it drops all the replaced tables at once",
		[]exchange{{"internal/projections/beside.go", "append(statements, \"DROP SCHEMA IF EXISTS \"+replacedSchema)", "append(statements[:0], \"DROP SCHEMA IF EXISTS \"+replacedSchema+\" CASCADE\")"}},
		"internal/projections", "TestWhoStillReadsReplacedTablesEndsNothing",
		[]string{"40P01"},
	},
	{
		"a correction leaves standing what was corrected",
		[]exchange{{"internal/workshop/partial.go", "	part(&f.Stock, func(key StockKey) bool { return p.has(key.Code) })\n", ""}},
		"internal/oracle", "TestCorrectionsInAnyOrder",
		[]string{"OFF after "},
	},
	{
		"a melt written down late is not in the shells that came back",
		[]exchange{{"internal/workshop/remix.go", "!slices.Equal(now.Mix, op.Mix) && !slices.Contains(a.stirred, charge)", "false"}},
		"internal/workshop", "TestADayWrittenDownInNoOrder",
		[]string{"Not equal", "anyorder_test.go"},
	},
	{
		"it tells the past without what was not released",
		[]exchange{{"internal/projections/queries/past_stood.sql", "AND (grade = '' OR unreleased)", "AND false"}},
		"internal/oracle", "TestTheDatabaseTellsThePast",
		[]string{"Not equal", "past_database_test.go"},
	},
	{
		"it restores a book without the answers that its keys got",
		[]exchange{{"internal/backup/restore.go", "		r.answers = append(r.answers, a)", "		_ = a"}},
		"internal/backup", "TestABookComesBack",
		[]string{"Not equal", "FROM commands"},
	},
	{
		"it cannot read an event of before any more",
		[]exchange{{"internal/events/events.go", `	"supplier_defined/1":   lifted[supplierDefined1],`, ""}},
		"internal/events", "TestGoldenFilesAreAllRead",
		[]string{"event supplier_defined version 1 is not known to this program"},
	},
	{
		"it cannot read a book of before any more",
		[]exchange{{"internal/events/events.go", `	"boxes_packed/1": as[BoxesPacked],`, ""}},
		"api", "TestBooksOfBeforeAreReadForEver/boxes.export",
		[]string{"event boxes_packed version 1 is not known to this program"},
	},
	{
		"it does not erase who was to be erased",
		[]exchange{{"internal/projections/people.go", "range set.Erased {", "range set.Erased[:0] {"}},
		"api", "TestErasing",
		[]string{"Should be empty, but was [people]"},
	},
}

// TestCanaries runs tests against programs that break what they are for: each must be caught, and for what is broken.
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
			for _, words := range c.says {
				require.Contains(t, string(said), words)
			}
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
