package events_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
)

// stored are the canonical bytes of an event of every version.
func stored(t testing.TB) [][]byte {
	t.Helper()
	files, err := filepath.Glob("../../testdata/events/*/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var all [][]byte
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		all = append(all, []byte(strings.TrimSuffix(string(text), "\n")))
	}
	return all
}

// TestEveryEventIsReadAtAGlance: whatever this program wrote is read without encoding/json, or verifying a book takes
// several times as long.
func TestEveryEventIsReadAtAGlance(t *testing.T) {
	for _, text := range stored(t) {
		glance, is := events.Glance(text)
		require.True(t, is, "%s", text)
		slow, err := events.ReadSlowly(text)
		require.NoError(t, err)
		require.Equal(t, slow, glance)
	}
}

// TestWhatIsNoEnvelopeIsNotReadAtAGlance: each is one byte or part away from an event.
func TestWhatIsNoEnvelopeIsNotReadAtAGlance(t *testing.T) {
	good := `{"actor":"maker","codes":["L261125-01"],"command":"0197a5a0-0000-7000-8000-000000000001","data":{"a":"}","b":{}},` +
		`"id":"0197a5a0-0000-7000-8000-000000000001","key":"k","occurred_at":"2026-11-25T12:00:00Z","position":1,` +
		`"recorded_at":"2026-11-25T12:00:00Z","site":"","type":"x","version":1}`
	_, is := events.Glance([]byte(good))
	require.True(t, is)
	for _, change := range []struct{ from, to string }{
		{`{"actor"`, ` {"actor"`},
		{`"version":1}`, `"version":1} `},
		{`"version":1}`, `"version":1,"more":1}`},
		{`"version":1}`, `"version":1`},
		{`"version":1}`, `"version":1.0}`},
		{`"version":1}`, `"version":01}`},
		{`"version":1}`, `"version":}`},
		{`"position":1`, `"position":99999999999999999999`},
		{`"position":1`, `"position":-1`},
		{`"maker"`, `"ma\u006ber"`},
		{`"maker"`, "\"mak\xc3\xa9r\""},
		{`"maker"`, "\"ma\tker\""},
		{`"key":"k"`, `"key":1`},
		{`["L261125-01"]`, `["L261125-01",]`},
		{`["L261125-01"]`, `["L261125-01"`},
		{`["L261125-01"]`, `null`},
		{`{"a":"}","b":{}}`, `null`},
		{`{"a":"}","b":{}}`, `{"a":"}","b":{}`},
		{`{"a":"}","b":{}}`, `{"a":"}","b":{}]}`},
		{`{"a":"}","b":{}}`, `{"a":"\"}`},
		{`"id":"0197`, `"id":"019`},
	} {
		text := strings.Replace(good, change.from, change.to, 1)
		require.NotEqual(t, good, text)
		_, is := events.Glance([]byte(text))
		require.False(t, is, "%s", text)
	}
}

// FuzzParseEnvelope holds what is read at a glance against encoding/json of the standard library: whatever the one takes in,
// the other must read the same.
func FuzzParseEnvelope(f *testing.F) {
	for _, text := range stored(f) {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		glance, is := events.Glance(text)
		if !is {
			return
		}
		slow, err := events.ReadSlowly(text)
		require.NoError(t, err)
		require.Equal(t, slow, glance)
		require.True(t, json.Valid(text))
	})
}
