package sealer_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
)

// TestCodesAreHeldAgainstTheirTable: the first that differ are named, whichever of the two has more.
func TestCodesAreHeldAgainstTheirTable(t *testing.T) {
	t.Parallel()
	said := [][]events.Code{{"R261125-02", "L261125-01"}, {}, {"B", "A", "B"}, {"C"}}
	whole := []sealer.Kept{{Position: 1, Code: "L261125-01"}, {Position: 1, Code: "R261125-02"}, {Position: 3, Code: "A"}, {Position: 3, Code: "B"}, {Position: 4, Code: "C"}}
	require.NoError(t, sealer.HoldCodes(whole, said...))
	require.NoError(t, sealer.HoldCodes(nil, nil, nil))
	for name, c := range map[string]struct {
		kept     []sealer.Kept
		position int64
		code     string
	}{
		"none":                {nil, 1, "L261125-01"},
		"the first missing":   {whole[1:], 1, "L261125-01"},
		"one missing":         {append(whole[:1:1], whole[2:]...), 1, "R261125-02"},
		"two missing":         {append(whole[:2:2], whole[4:]...), 3, "A"},
		"the last missing":    {whole[:4], 4, "C"},
		"one before all":      {append([]sealer.Kept{{Position: 0, Code: "A"}}, whole...), 0, "A"},
		"one of an event":     {append(append(whole[:1:1], sealer.Kept{Position: 1, Code: "M"}), whole[1:]...), 1, "M"},
		"one where none is":   {append(append(whole[:2:2], sealer.Kept{Position: 2, Code: "A"}), whole[2:]...), 2, "A"},
		"one after an event":  {append(append(whole[:4:4], sealer.Kept{Position: 3, Code: "C"}), whole[4:]...), 3, "C"},
		"one behind the end":  {append(whole[:5:5], sealer.Kept{Position: 5, Code: "A"}), 5, "A"},
		"another in place":    {append(append(whole[:2:2], sealer.Kept{Position: 3, Code: "AB"}), whole[3:]...), 3, "A"},
		"at another position": {append(whole[:4:4], sealer.Kept{Position: 5, Code: "C"}), 4, "C"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			found := new(seal.Finding)
			require.ErrorAs(t, sealer.HoldCodes(c.kept, said...), &found)
			require.Equal(t, c.position, found.Position)
			require.ErrorContains(t, found, "whether it concerns "+c.code)
		})
	}
}
