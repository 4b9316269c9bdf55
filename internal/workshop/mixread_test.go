package workshop_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// A mix is read as encoding/json (Go's library, which follows RFC 8259) reads the same text.
func sameMix(t require.TestingT, text string) {
	var plain []workshop.MixPart
	var mix workshop.Mix
	want, got := json.Unmarshal([]byte(text), &plain), mix.UnmarshalJSON([]byte(text))
	require.Equal(t, want == nil, got == nil, "%s: %v, %v", text, want, got)
	if want == nil {
		require.Equal(t, workshop.Mix(plain), mix, text)
	}
}

func TestAMixIsReadAsAnyJSON(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		`[]`, ` [ ] `, `null`, `{}`, ``, `[`, `[,]`, `[{}]`, `[{},]`, `[{}{}]`, `[{}] x`, `[{"g": 1,}]`, `[{"g" 1}]`, `[{,"g": 1}]`, `[{"g": null}]`,
		`[{"g": 0.028, "lot": "L261030-03-N"}, {"g": 54.432, "lot": "L261110-01-R", "direct": true}]`, `[{"g":1e2}]`, `[{"g":1.2345}]`, `[{"g":-1}]`,
		`[{"g":01}]`, `[{"g":1.}]`, `[{"g":.5}]`, `[{"g":--1}]`, `[{"g":-}]`, `[{"g":""}]`, `[{"g":}]`, `[{"lot":"a\u0041"}]`, `[{"lot":"a"b"}]`,
		"[{\"lot\":\"a\nb\"}]", `[{"ingredient":"crème"}]`, `[{"Lot":"a"}]`, `[{"lot":"a","lot":"b"}]`, `[{"direct":false}]`, `[{"direct":truex}]`,
		`[{"direct":true,"direct":false}]`, `[{"other":[1]}]`, `[{"lot":"a`, "\t[\r\n{\"g\" :\t2}]\n",
	} {
		sameMix(t, text)
	}
}

func TestAnyMixIsReadAsItWasWritten(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		mix := workshop.Mix(rapid.SliceOf(rapid.Custom(func(t *rapid.T) workshop.MixPart {
			return workshop.MixPart{
				Lot:        events.Code(rapid.SampledFrom([]string{"", "L261030-03-N", "L261110-01.3-R"}).Draw(t, "lot")),
				Ingredient: rapid.SampledFrom([]string{"", "water", `a "b"`, "é"}).Draw(t, "ingredient"),
				Mass:       events.Mass(rapid.Int64Range(0, 10_000_000).Draw(t, "mass")), Direct: rapid.Bool().Draw(t, "direct"),
			}
		})).Draw(t, "mix"))
		text, err := json.Marshal(mix)
		require.NoError(t, err)
		sameMix(t, string(text))
		cut := string(text)
		at := rapid.IntRange(0, len(cut)).Draw(t, "at")
		sameMix(t, cut[:at]+rapid.SampledFrom(strings.Split(`, " { } [ ] : 0 . - x`, " ")).Draw(t, "typed")+cut[at:])
	})
}
