package events

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestEveryDecoderHasATypeAndAVersion(t *testing.T) {
	t.Parallel()
	for key := range decoders {
		require.Regexp(t, `^[a-z]+(_[a-z]+)*/[1-9][0-9]*$`, key)
	}
	for eventType, version := range newest {
		for v := 1; v <= version; v++ {
			require.True(t, Knows(eventType, v), "%s: version %d is missing between those there are", eventType, v)
		}
		require.False(t, Knows(eventType, version+1))
	}
}

// A delivery as it would have been written at first, with pounds and one place for all, and as it is now. No event of the
// product has a second version yet; this is how one gets it: the new struct, the old one kept beside its decoder, and a
// function that lifts old into new.
type (
	crateCame struct { // version 2, the newest: what the rest of the program sees
		Code    Code   `json:"code"`
		Mass    Mass   `json:"mass_g"`
		Place   string `json:"place"`
		Crates  int    `json:"crates"`
		Assumed bool   `json:"assumed,omitempty"` // crates were not written down
	}
	crateCame1 struct { // version 1, as it was
		Code  Code `json:"code"`
		Grams Mass `json:"grams"`
	}
)

func (crateCame) EventType() string { return "crate_came" }
func (e crateCame) Touches() []Code { return []Code{e.Code} }

func (old crateCame1) lift() Event {
	return crateCame{Code: old.Code, Mass: old.Grams, Place: "store", Crates: 1, Assumed: true}
}

// TestAnOldVersionIsLiftedIntoTheNewest works one event with two versions through.
func TestAnOldVersionIsLiftedIntoTheNewest(t *testing.T) {
	t.Parallel()
	known := table{
		"crate_came/1": lifted[crateCame1],
		"crate_came/2": as[crateCame],
	}
	require.Equal(t, map[string]int{"crate_came": 2}, known.newest(), "new ones are written as version 2")

	old, err := known.decode("crate_came", 1, []byte(`{"code":"L261125-01-8","grams":1500}`))
	require.NoError(t, err)
	require.Equal(t, crateCame{Code: "L261125-01-8", Mass: 1_500_000, Place: "store", Crates: 1, Assumed: true}, old)
	now, err := known.decode("crate_came", 2, []byte(`{"code":"L261125-01-8","mass_g":1500,"place":"cold-room","crates":3}`))
	require.NoError(t, err)
	require.Equal(t, crateCame{Code: "L261125-01-8", Mass: 1_500_000, Place: "cold-room", Crates: 3}, now)

	for why, c := range map[string]struct {
		version int
		data    string
	}{
		"the new shape under the old number": {1, `{"code":"L261125-01-8","mass_g":1500,"place":"cold-room","crates":3}`},
		"the old shape under the new number": {2, `{"code":"L261125-01-8","grams":1500}`},
	} {
		_, err := known.decode("crate_came", c.version, []byte(c.data))
		require.ErrorContains(t, err, "unknown field", why)
	}
	_, err = known.decode("crate_came", 3, []byte(`{}`))
	require.Equal(t, &UnknownError{Type: "crate_came", Version: 3}, err)
}
