package events_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
)

// TestCanonicalFormIsThatOfRFC8785 holds the canonical form against its author's own test data.
func TestCanonicalFormIsThatOfRFC8785(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../testdata/standards/jcs_cases.json")
	require.NoError(t, err)
	var published struct {
		Source string
		Cases  []struct{ Name, Input, Canonical string }
	}
	require.NoError(t, json.Unmarshal(text, &published))
	require.Len(t, published.Cases, 6)
	for _, c := range published.Cases {
		canonical, err := events.Canonicalize([]byte(c.Input))
		require.NoError(t, err, c.Name)
		require.Equal(t, c.Canonical, string(canonical), "%s of %s", c.Name, published.Source)
	}
}

// TestCanonicalNumbersAreThoseOfRFC8785 holds rows of RFC 8785, appendix B, "Number Serialization Samples".
func TestCanonicalNumbersAreThoseOfRFC8785(t *testing.T) {
	t.Parallel()
	for bits, text := range map[uint64]string{
		0x0000000000000000: "0",
		0x8000000000000000: "0",
		0x0000000000000001: "5e-324",
		0x7fefffffffffffff: "1.7976931348623157e+308",
		0x4340000000000000: "9007199254740992",
		0x4430000000000000: "295147905179352830000",
		0x44b52d02c7e14af6: "1e+23",
		0x444b1ae4d6e2ef4f: "999999999999999900000",
		0x444b1ae4d6e2ef50: "1e+21",
		0x3eb0c6f7a0b5ed8c: "9.999999999999997e-7",
		0x3eb0c6f7a0b5ed8d: "0.000001",
		0x41b3de4355555555: "333333333.3333333",
	} {
		canonical, err := events.Canonicalize([]byte(strconv.FormatFloat(math.Float64frombits(bits), 'e', 17, 64)))
		require.NoError(t, err, text)
		require.Equal(t, text, string(canonical))
	}
}

func TestCanonicalFormRefusesWhatIsNoIJSON(t *testing.T) {
	t.Parallel()
	for why, text := range map[string]string{ // RFC 7493 (I-JSON), sections 2.1 to 2.3, on which RFC 8785 rests
		"a key twice":       `{"a":1,"a":2}`,
		"a lone surrogate":  `{"x":"\ud800"}`,
		"beyond all double": `{"n":1e400}`,
		"no JSON":           `{a:1}`,
	} {
		_, err := events.Canonicalize([]byte(text))
		require.Error(t, err, why)
	}
}

// recordedAt is a moment of the worked examples, with a whole number of microseconds as PostgreSQL keeps.
var recordedAt = time.Date(2026, 11, 25, 9, 30, 0, 250_000_000, time.UTC)

func recorded(data events.Event) events.Recorded {
	return events.Recorded{
		Position: 17, ID: uuid.MustParse("019ab9e6-2f50-7c3a-9b57-0d6f1f0f5a11"), Version: events.NewestVersion(data),
		OccurredAt: recordedAt.Add(-time.Hour - 123*time.Microsecond), RecordedAt: recordedAt, Actor: "5b0c8f0e-0b7a-4c35-8f0e-6f2f3f5a9d10",
		Site: "quay-lane", Key: "evening-0231", Command: uuid.MustParse("019ab9e6-2f50-7c3a-9b57-0d6f1f0f5a10"), Data: data,
	}
}

func TestEnvelopeIsWrittenInFull(t *testing.T) {
	t.Parallel()
	text, err := recorded(events.MouldDefined{
		Defined: events.Defined{Slug: "dome-24", DefVersion: 1}, Mould: events.Mould{Name: "Dome 24 <small> & €", Cavities: 24},
	}).Canonical()
	require.NoError(t, err)
	require.Equal(t, `{"actor":"5b0c8f0e-0b7a-4c35-8f0e-6f2f3f5a9d10","codes":[],"command":"019ab9e6-2f50-7c3a-9b57-0d6f1f0f5a10",`+
		`"data":{"cavities":24,"name":"Dome 24 <small> & €","slug":"dome-24","version":1},"id":"019ab9e6-2f50-7c3a-9b57-0d6f1f0f5a11",`+
		`"key":"evening-0231","occurred_at":"2026-11-25T08:30:00.249877Z","position":17,"recorded_at":"2026-11-25T09:30:00.25Z",`+
		`"site":"quay-lane","type":"mould_defined","version":1}`, string(text))
}

func TestDecodeRefusesWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	_, err := events.Decode("pieces_teleported", 1, []byte(`{}`))
	require.ErrorContains(t, err, "pieces_teleported version 1 is not known")
	_, err = events.Decode("pieces_sold", 99, []byte(`{}`))
	require.ErrorContains(t, err, "pieces_sold version 99 is not known")
	_, err = events.Decode("mould_defined", 1, []byte(`{"slug":"dome-24","version":1,"name":"Dome","cavities":24,"colour":"red"}`))
	require.ErrorContains(t, err, "colour")
	_, err = events.ParseCanonical([]byte(`{"position":17}`))
	require.Error(t, err)
}

func TestCodesOfAnEventAreListedOnceAndInOrder(t *testing.T) {
	t.Parallel()
	require.Equal(t, []events.Code{portion.Whole(), portion, lot2}, recorded(events.ChocolateMelted{
		Inputs: []events.Draw{{Source: lot2}, {Source: portion}, {Source: portion}, {Ingredient: "water"}},
	}).Codes())
}

// FuzzCanonicalize: the canonical form is its own canonical form.
func FuzzCanonicalize(f *testing.F) {
	for _, seed := range []string{"", "{}", `{"b":1,"a":[1.0,1e0,-0]}`, `{"a":"\u20ac\ud834\udd1e"}`, `{"a":1,"a":2}`, "[", "\xff", `[1e400]`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		once, err := events.Canonicalize(text)
		if err != nil {
			return
		}
		twice, err := events.Canonicalize(once)
		require.NoError(t, err)
		require.Equal(t, string(once), string(twice))
	})
}

// FuzzParseCanonical: what is read of the log's bytes is written back as it was, whoever put them there.
func FuzzParseCanonical(f *testing.F) {
	files, err := filepath.Glob("../../testdata/events/*/*.json")
	require.NoError(f, err)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		read, err := events.ParseCanonical(text)
		if err != nil {
			return
		}
		_, err = events.ParseCanonical(text)
		require.NoError(t, err)
		if written, err := read.Canonical(); err == nil && read.Version == events.NewestVersion(read.Data) {
			again, err := events.ParseCanonical(written)
			require.NoError(t, err)
			require.Equal(t, read.Data.EventType(), again.Data.EventType())
		}
	})
}
