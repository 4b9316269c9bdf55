package events_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
)

// BenchmarkParseEnvelope reads the envelopes of an event of every version.
func BenchmarkParseEnvelope(b *testing.B) {
	texts := stored(b)
	for i := 0; b.Loop(); i++ {
		_, err := events.ParseEnvelope(texts[i%len(texts)])
		require.NoError(b, err)
	}
}
