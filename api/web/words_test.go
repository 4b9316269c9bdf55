package web_test

import (
	"fmt"
	"html"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/api/web"
)

// words gives what is on a page, or in the part of it that a pattern finds.
func words(t *testing.T, page []byte, part string) string {
	t.Helper()
	found := regexp.MustCompile(`(?s)` + part).Find(page)
	require.NotNil(t, found, part)
	text := regexp.MustCompile(`<[^>]*>`).ReplaceAllString(string(found), " ")
	return strings.Join(strings.Fields(html.UnescapeString(text)), " ")
}

func TestALineInTheBenchsWords(t *testing.T) {
	t.Parallel()
	page, err := fullBoard().HTML()
	require.NoError(t, err)
	const allergens = " Contains: milk, soybeans May contain: hazelnut (nuts) Made where handled: wheat (gluten)"
	for code, said := range map[string]string{
		"R261110-02-K":         "past its date Garden mint dome 9 take off Use by yesterday, Tue 24 Nov Past its use-by: take it off and discard it. Code R261110-02-K" + allergens,
		"R261121-01-X":         "on hold Hazelnut square 12 take off Use by Tue 1 Dec On hold: take it off. The owner decides. Code R261121-01-X" + allergens,
		"R261001-01-7":         "past its date Quay bar 3 here Best before Mon 23 Nov, 2 days ago Past its best-before: taste first, and tell the customer. Code R261001-01-7" + allergens,
		"R261125-01-7":         "no whole day Piped truffle 5 must go today all there are Use by 16:32 today, Wed 25 Nov No whole day left: sell or discard it by then. Code R261125-01-7" + allergens,
		"R261111-01-4":         "last day Blackcurrant & bay dome with a violet cocoa butter shell 28 must go today all there are Use by last day: today, Wed 25 Nov Code R261111-01-4" + allergens,
		"R261114-02-9":         "3 days left Sea salt caramel square 17 must go today of 44 here Use by Sat 28 Nov The usual sales will not clear it in time. Code R261114-02-9" + allergens,
		"R261116-01-E":         "1 day left Garden mint dome 31 here Use by tomorrow, Thu 26 Nov Code R261116-01-E" + allergens,
		"R261114-02-9-seconds": "3 days left Sea salt caramel square seconds 6 here Use by Sat 28 Nov Code R261114-02-9" + allergens,
		"R261120-01-D":         "9 days left Blackcurrant & bay dome with a violet cocoa butter shell 120 here Use by Fri 4 Dec Sold by Wed 2 Dec, it leaves the customer 2 days. Code R261120-01-D" + allergens,
		"R261122-01-2":         "12 days left Fig & almond 20 here Use by Mon 7 Dec Code R261122-01-2 Allergens not known: do not sell it before the maker has answered. Contains: almond (nuts) May contain: hazelnut (nuts) Made where handled: wheat (gluten)",
		"R261119-03-8":         "60 days left Quay bar 18 here Best before Sun 24 Jan 2027 Code R261119-03-8 Contains: none recorded: ask the maker Made where handled: wheat (gluten)",
	} {
		require.Equal(t, said, words(t, page, `<li class="line" id="line-`+code+`".*?</li>`))
	}
	require.Equal(t, "21 to take off now 50 must go today 53 to sell next 164 in good time", words(t, page, `<nav class="glance".*?</nav>`))
	require.Equal(t, "as of 14:02 Wed 25 Nov", words(t, page, `<p class="as-of".*?</p>`))
	require.NotContains(t, strings.ToLower(string(page)), "free from")
}

// A caution that all lines of its kind of date carry is told once; another is numbered, and its lines name the number.
func TestCautionsStandBesideTheBoard(t *testing.T) {
	t.Parallel()
	board := fullBoard()
	board.SellNext[0].Cautions = append(board.SellNext[0].Cautions, "Thaw it sealed.")
	page, err := board.HTML()
	require.NoError(t, err)
	require.Equal(t, "Before you rely on this Local food law and a qualified person decide what may be sold. "+
		cautionLaw+" "+cautionUseBy+" "+cautionBestBefore+" Thaw it sealed.", words(t, page, `<section class="cautions".*?</section>`))
	require.Contains(t, words(t, page, `<ol>.*?</ol>`), "Thaw it sealed.")
	require.Contains(t, words(t, page, `id="line-R261116-01-E".*?</li>`), "R261116-01-E note 1")
	require.Equal(t, 1, strings.Count(string(page), `class="notes"`))
}

// That a date rests on an estimate is said right beside it, on each line.
func TestAnEstimateIsSaidBesideTheDate(t *testing.T) {
	t.Parallel()
	board := fullBoard()
	board.SellNext[0].Estimate = "Estimated, not validated"
	page, err := board.HTML()
	require.NoError(t, err)
	require.Regexp(t, `Use by tomorrow, Thu 26 Nov Estimated, not validated$`, words(t, page, `(?s)id="line-R261116-01-E".*?<p class="date">.*?</p>`))
	require.Equal(t, 1, strings.Count(string(page), "Estimated, not validated"))
}

func TestAnEmptyBoard(t *testing.T) {
	t.Parallel()
	page, err := web.Board{Place: web.Place{Slug: "counter", Name: "Counter", Site: "Shingle Lane"}, At: afternoon, Zone: afternoon.Location()}.HTML()
	require.NoError(t, err)
	said := words(t, page, `<main.*?</main>`)
	require.Contains(t, said, "Off the counter now Nothing. Sell today Nothing. Nothing has to go tonight. Sell next Nothing. In good time Nothing.")
}

// Every pair of colours that text is set in is told apart by a ratio of 4.5, by day and in the dark: WCAG 2.2, success
// criterion 1.4.3, and its definitions of contrast ratio and relative luminance.
func TestColoursAreToldApart(t *testing.T) {
	t.Parallel()
	style, _, _, ok := web.Asset("firstout.css")
	require.True(t, ok)
	roots := regexp.MustCompile(`(?s):root \{.*?\}`).FindAllString(string(style), 2)
	colours := map[string]string{}
	for _, scheme := range roots {
		for _, pair := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]+);`).FindAllStringSubmatch(scheme, -1) {
			colours[pair[1]] = pair[2]
		}
		for _, pair := range [][2]string{
			{"ink", "paper"},
			{"faint", "paper"},
			{"sea", "paper"},
			{"on-off", "off"},
			{"on-off", "off-shade"},
			{"on-today", "today"},
			{"on-next", "next"},
			{"on-time", "time"},
		} {
			require.GreaterOrEqual(t, contrast(t, colours[pair[0]], colours[pair[1]]), 4.5, "%v in %s", pair, scheme)
		}
	}
	require.InDelta(t, 21, contrast(t, "#000", "#fff"), 1e-9, "the standard's own largest ratio")
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	la, lb := luminance(t, a), luminance(t, b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	digits := strings.TrimPrefix(colour, "#")
	if len(digits) == 3 {
		digits = fmt.Sprintf("%c%c%c%c%c%c", digits[0], digits[0], digits[1], digits[1], digits[2], digits[2])
	}
	rgb, err := strconv.ParseUint(digits, 16, 32)
	require.NoError(t, err, colour)
	linear := func(shift uint) float64 {
		c := float64(rgb>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(16) + 0.7152*linear(8) + 0.0722*linear(0)
}

func TestOnlyWhatIsThereIsServed(t *testing.T) {
	t.Parallel()
	for _, none := range []string{"", ".", "..", "../web.go", "none.css"} {
		_, _, _, ok := web.Asset(none)
		require.False(t, ok, none)
	}
}
