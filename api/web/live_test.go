package web_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
)

var widths = []int64{1280, 820, 390}

// logIn opens the board's address and gives the key, by keyboard alone.
func (b *tab) logIn(s *shop, key string) {
	b.t.Helper()
	b.open(s.at("/"))
	b.press(kb.Tab)
	if look[string](b, `document.activeElement.id`) != "key" { // the field may have had the focus already
		b.open(s.at("/"))
	}
	require.Equal(b.t, "key", look[string](b, `document.activeElement.id`))
	b.press(key)
	b.press(kb.Tab)
	require.Equal(b.t, "Log in", look[string](b, `document.activeElement.textContent`))
	b.enter()
}

func (b *tab) live() {
	b.t.Helper()
	b.until(`document.getElementById('state').textContent === 'live'`)
}

func figure(run, part string) string {
	return fmt.Sprintf("#line-%s .figure %s", run, part)
}

func TestThePagesInABrowser(t *testing.T) {
	t.Parallel()
	s, browser := openShop(t), startBrowser(t)
	key := s.key("tablet", "counter", "shingle-lane")

	t.Run("login", func(t *testing.T) { loginPage(t, s, browser) })
	t.Run("an empty board", func(t *testing.T) {
		b := newTab(t, browser, 1280)
		b.logIn(s, key)
		for _, width := range widths {
			b.width(width)
			require.Contains(t, b.text("#board"), "Nothing has to go tonight.")
			b.sound()
			b.shot(fmt.Sprintf("empty-%d", width))
		}
	})
	has := s.fill()
	t.Run("a board with something in every group", func(t *testing.T) { fullBoardPage(t, s, browser, key, has) })
	t.Run("by keyboard", func(t *testing.T) { byKeyboard(t, s, browser, key) })
	t.Run("without scripts", func(t *testing.T) { withoutScripts(t, s, browser, key, has) })
	t.Run("live", func(t *testing.T) { live(t, s, browser, key, has) })
	t.Run("not live", func(t *testing.T) { notLive(t, s, browser, key) })
	t.Run("the key ends", func(t *testing.T) { keyEnds(t, s, browser) })
	t.Run("two places", func(t *testing.T) { twoPlaces(t, s, browser, key) })
}

func loginPage(t *testing.T, s *shop, browser window) {
	b := newTab(t, browser, 1280)
	for _, width := range widths {
		b.width(width)
		b.open(s.at("/"))
		b.sound()
		b.shot(fmt.Sprintf("login-%d", width))
	}
	b.logIn(s, "firstout_AAAAAAAAAAAAAAAAAAAAAAAAAA")
	require.Contains(t, b.text("[role=alert]"), "That is no key")
	b.sound()
	b.shot("login-wrong-390")
	b.shown(true, false)
	b.sound()
}

func fullBoardPage(t *testing.T, s *shop, browser window, key string, has stock) {
	b := newTab(t, browser, 1280)
	b.logIn(s, key)
	b.live()
	require.Equal(t, "Counter", b.text("h1"))
	for group, line := range map[string][]string{
		"withdraw_now": {has.past, "past its date", "Hazelnut square", "9 take off", "yesterday", "Past its use-by", "Contains: hazelnut (nuts), soybeans", "May contain: milk", "Made where handled: almond (nuts), wheat (gluten)"},
		"sell_today":   {has.tonight, "last day", longName, "28 must go today", "last day: today"},
		"sell_next":    {has.tomorrow, "1 day left", "Praline leaf", "31 here", "tomorrow"},
		"in_good_time": {has.keeps, "20 days left", longName, "120 here"},
	} {
		told := b.text(fmt.Sprintf(".group.%s #line-%s", group, line[0]))
		for _, words := range line {
			require.Contains(t, told, words)
		}
	}
	require.Contains(t, b.text(".withdraw_now #line-"+has.held), "On hold")
	require.Contains(t, b.text(".sell_today #line-"+has.old), "Past its best-before: taste first")
	require.NotContains(t, b.text("body"), "free from")
	require.Contains(t, b.text(".cautions"), "local food law")
	for _, width := range widths {
		b.width(width)
		for _, dark := range []bool{false, true} {
			b.shown(dark, false)
			b.sound()
			b.shot(fmt.Sprintf("board-%d%s", width, map[bool]string{true: "-dark"}[dark]))
		}
	}
	b.width(820)
	b.shown(true, true)
	require.Equal(t, "none", look[string](b, `getComputedStyle(document.querySelector('.ways')).display`), "paper has no buttons")
	b.shot("board-820-print")
}

// Whoever has only a keyboard gets everywhere, sees where they are, and out.
func byKeyboard(t *testing.T, s *shop, browser window, key string) {
	b := newTab(t, browser, 820)
	b.logIn(s, key)
	b.live()
	b.press(kb.Tab)
	require.Equal(t, "Go to the board", look[string](b, `document.activeElement.textContent`))
	b.press(kb.Enter)
	b.until(`document.activeElement.id === 'board'`)
	b.press(kb.Tab)
	require.Equal(t, "#withdraw_now", look[string](b, `document.activeElement.getAttribute('href')`))
	b.press(kb.Tab)
	b.press(kb.Enter)
	b.until(`document.activeElement.id === 'sell_today'`)

	b.open(s.at("/"))
	var stops []string
	for range 20 {
		b.press(kb.Tab)
		if look[bool](b, `document.activeElement === document.body`) {
			break
		}
		require.GreaterOrEqual(t, look[float64](b, `parseFloat(getComputedStyle(document.activeElement).outlineWidth)`), 3.0, "the focus is seen")
		stops = append(stops, look[string](b, `document.activeElement.textContent.replace(/\s+/g, ' ').trim()`))
		if stops[len(stops)-1] == "Log out" {
			break
		}
	}
	require.Equal(t, []string{"Go to the board", "Read again", "Log out"}, stops)
	b.enter()
	require.Equal(t, "/login", look[string](b, `location.pathname`))
	b.open(s.at("/"))
	require.Equal(t, "Key", b.text("label"))
}

func withoutScripts(t *testing.T, s *shop, browser window, key string, has stock) {
	b := newTab(t, browser, 390)
	_, err := chromedp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	require.NoError(t, err)
	b.logIn(s, key)
	require.Contains(t, b.text("#line-"+has.tonight), "28 must go today")
	require.Contains(t, b.text("noscript"), "This page stands still.")
	require.Equal(t, "not live", b.text("#state"))
	b.shot("board-390-no-script")
	for range 2 {
		b.press(kb.Tab)
	}
	require.Equal(t, "Read again", look[string](b, `document.activeElement.textContent`))
	b.enter()
	require.Equal(t, "Counter", b.text("h1"))
}

// A sale is seen without anything being pressed: the page stays the same page, where it was scrolled to and with the
// focus where it was; and who cannot see it is told.
func live(t *testing.T, s *shop, browser window, key string, has stock) {
	b := newTab(t, browser, 390)
	b.logIn(s, key)
	b.live()
	look[bool](b, `document.querySelector('.glance a[href="#in_good_time"]').focus(), window.same = true`)
	look[bool](b, fmt.Sprintf(`document.getElementById('line-%s').scrollIntoView(), true`, has.tomorrow))
	place := fmt.Sprintf(`Math.round(document.getElementById('line-%s').getBoundingClientRect().top) + 0`, has.tomorrow) // minus nothing is no number to the protocol
	before := look[float64](b, place)

	s.sell(has.keeps, 7)
	b.until(fmt.Sprintf(`document.querySelector('%s').textContent === '113'`, figure(has.keeps, "b")))
	require.True(t, look[bool](b, `window.same === true`), "the page was not loaded again")
	require.Equal(t, "#in_good_time", look[string](b, `document.activeElement.getAttribute('href')`))
	require.InDelta(t, before, look[float64](b, place), 1)
	b.until(fmt.Sprintf(`document.getElementById('news').textContent === '%s: 113 here.'`, longName))

	// What is sold out is gone, and what stood above it does not jump.
	s.sell(has.tonight, 28)
	b.until(fmt.Sprintf(`!document.getElementById('line-%s')`, has.tonight))
	require.InDelta(t, before, look[float64](b, place), 1)
	require.Empty(t, look[string](b, `sessionStorage.getItem('complaints') || ''`))
}

func notLive(t *testing.T, s *shop, browser window, key string) {
	b := newTab(t, browser, 820)
	b.logIn(s, key)
	b.live()
	s.pause()
	b.until(`document.getElementById('state').textContent.startsWith('not live since ')`)
	require.Contains(t, b.text(".as-of"), look[string](b, `document.getElementById('state').textContent.slice(-5)`))
	require.Equal(t, "Counter", b.text("h1"), "what was read last stays")
	b.shot("board-820-not-live")
	s.serve()
	b.live()
}

// A key that is revoked takes its tablets' boards away.
func keyEnds(t *testing.T, s *shop, browser window) {
	b := newTab(t, browser, 390)
	b.logIn(s, s.key("lost tablet", "till", ""))
	b.live()
	require.NoError(t, eventlog.RevokeKey(t.Context(), s.db.App, "lost tablet", time.Now()))
	b.do(chromedp.WaitVisible(chromedp.CSS("#key")))
	require.Contains(t, b.text("[role=alert]"), "You are logged out")
	b.sound()
}

func twoPlaces(t *testing.T, s *shop, browser window, key string) {
	s.call("PUT", "/v1/places/hatch", object{"name": "Hatch", "site": "shingle-lane", "storage": "cool", "sells": true})
	b := newTab(t, browser, 390)
	b.logIn(s, key)
	require.Equal(t, "Which counter?", b.text("h1"))
	b.sound()
	b.shot("places-390")
	b.press(kb.Tab)
	b.press(kb.Tab)
	b.enter()
	require.Equal(t, "Hatch", b.text("h1"))
	b.live()
	b.sound()
	b.open(s.at("/?place=nowhere"))
	require.Equal(t, "There is nothing at this address", b.text("h1"))
	b.sound()
	b.shot("notice-390")
}
