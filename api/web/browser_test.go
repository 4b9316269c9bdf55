package web_test

import (
	"context"
	_ "embed"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

// browsers are the names under which a machine may have one that these tests can drive.
var browsers = []string{"chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"}

// A window is a browser that was started for a test.
type window struct{ ctx context.Context }

// startBrowser starts one. Without any on the machine the test is skipped, which .ci/run takes for a failure.
func startBrowser(t *testing.T) window {
	t.Helper()
	var path string
	for _, name := range browsers {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		t.Skipf("no browser on this machine (looked for %v): the pages were not opened in one", browsers)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-quic", true))
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox) // it cannot make one as root
	}
	allocated, end := chromedp.NewExecAllocator(context.WithoutCancel(t.Context()), options...)
	browser, stop := chromedp.NewContext(allocated)
	t.Cleanup(func() {
		stop()
		end()
	})
	require.NoError(t, chromedp.Do(browser))
	return window{browser}
}

// A tab is a page of a browser, with cookies of its own.
type tab struct {
	t   *testing.T
	ctx context.Context
}

// watched collects what must not happen on any page: something that the content security policy stops, or an error of
// the script's.
const watched = `
	const complain = (what) => sessionStorage.setItem('complaints', (sessionStorage.getItem('complaints') || '') + what + '\n');
	addEventListener('securitypolicyviolation', (e) => complain('policy: ' + e.violatedDirective + ' ' + e.blockedURI));
	addEventListener('error', (e) => complain('error: ' + (e.message || e.target.src || e.target.href)), true);
	addEventListener('unhandledrejection', (e) => complain('rejection: ' + e.reason));`

// newTab opens a tab at a width. The page of the last test of it must not have complained.
func newTab(t *testing.T, browser window, width int64) *tab {
	t.Helper()
	ctx, stop := chromedp.NewContext(browser.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(stop)
	b := &tab{t: t, ctx: ctx}
	_, err := chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: watched})
	require.NoError(t, err)
	b.width(width)
	return b
}

func (b *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, stop := context.WithTimeout(b.ctx, 30*time.Second)
	defer stop()
	require.NoError(b.t, chromedp.Do(ctx, actions...))
}

func (b *tab) width(width int64) {
	b.t.Helper()
	height := map[int64]int64{1280: 800, 820: 1180, 390: 844}[width]
	b.do(chromedp.EmulateViewport(width, height))
}

// open goes to an address.
func (b *tab) open(address string) {
	b.t.Helper()
	b.do(chromedp.Navigate(address), chromedp.WaitReady(chromedp.CSS("body")))
}

// look works an expression out on the page.
func look[T any](b *tab, expression string) T {
	b.t.Helper()
	found, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err, expression)
	return found
}

// text is what stands in the first element that fits, with its spaces as they are in a sentence.
func (b *tab) text(selector string) string {
	b.t.Helper()
	return look[string](b, fmt.Sprintf(`document.querySelector(%q).innerText.replace(/\s+/g, ' ').trim()`, selector))
}

// until waits for an expression to hold on the page, for no longer than a person would.
func (b *tab) until(expression string) {
	b.t.Helper()
	_, err := chromedp.Run(b.ctx, chromedp.Poll[bool](expression, chromedp.WithPollingInterval(50*time.Millisecond), chromedp.WithPollingTimeout(20*time.Second)))
	require.NoError(b.t, err, expression)
}

// press sends keys to whatever has the focus.
func (b *tab) press(keys string) {
	b.t.Helper()
	b.do(chromedp.KeyEvent(keys))
}

// enter presses Enter where that leads to another page, and waits for it.
func (b *tab) enter() {
	b.t.Helper()
	ctx, stop := context.WithTimeout(b.ctx, 30*time.Second)
	defer stop()
	_, err := chromedp.Run(ctx, chromedp.WaitEvent(page.LoadEventFired, nil, chromedp.KeyEvent(kb.Enter)))
	require.NoError(b.t, err)
}

// shown is how the page is looked at: in a dark room or not, on paper or not.
func (b *tab) shown(dark, printed bool) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Media:    map[bool]string{true: "print"}[printed],
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: map[bool]string{true: "dark", false: "light"}[dark]}},
	})
	require.NoError(b.t, err)
}

//go:embed testdata/axe/axe.min.js
var axe string

// violations has axe-core look at the page by the rules of WCAG 2.2 A and AA (W3C Recommendation, 5 October 2023) and
// its own best practice.
const violations = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]})
	.then((r) => r.violations.map((v) => v.id + ': ' + v.help + ' ' + v.nodes.map((n) => n.target.join(' ') + ' ' + n.failureSummary).join(' | ')))`

// sound wants a page that anybody can use: nothing for axe to say, nothing to be scrolled to the side, everything that
// is touched at least 44 by 44 px (success criterion 2.5.5), and no complaint.
func (b *tab) sound() {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](axe))
	require.Empty(b.t, look[[]string](b, violations))
	require.LessOrEqual(b.t, look[float64](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`), 0.0, "scrolls to the side")
	require.Empty(b.t, look[[]string](b, `[...document.querySelectorAll('a:not(.skip), button, input:not([type=hidden])')]
		.filter((e) => { const r = e.getBoundingClientRect(); return r.width < 44 || r.height < 44 })
		.map((e) => e.outerHTML)`), "too small to touch")
	require.Empty(b.t, look[[]string](b, `[...document.querySelectorAll('body *')].map((e) => e.id).filter((id, i, all) => id && all.indexOf(id) !== i)`), "ids given twice")
	require.Empty(b.t, look[string](b, `sessionStorage.getItem('complaints') || ''`))
}

// shot keeps a picture of the page in the folder FIRSTOUT_SHOTS, for a person to look at.
func (b *tab) shot(name string) {
	b.t.Helper()
	folder := os.Getenv("FIRSTOUT_SHOTS")
	if folder == "" {
		return
	}
	picture, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	require.NoError(b.t, err)
	require.NoError(b.t, os.WriteFile(filepath.Join(folder, name+".png"), picture, 0o600))
}
