package web_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// The page of the document draws it and opens an operation, and its policy stops nothing that it does.
func TestTheDocumentInABrowser(t *testing.T) {
	t.Parallel()
	s, browser := openShop(t), startBrowser(t)
	b := newTab(t, browser, 1280)
	b.open(s.at("/docs#/questions/getBoard"))
	b.until(`document.querySelector('#operations-questions-getBoard .parameters') !== null`)
	require.Equal(t, "Firstout", look[string](b, `document.querySelector('.info .title').childNodes[0].textContent.trim()`))
	for _, path := range []string{"/v1/board", "/v1/picks", "/v1/stock"} {
		require.Contains(t, b.text("#operations-tag-questions + div"), path)
	}
	require.Contains(t, b.text(".servers"), "/", "it calls the server that it came from")
	require.Len(t, look[[]string](b, `[...document.querySelectorAll('.opblock-tag')].map((e) => e.dataset.tag)`), 9)
	b.shot("docs-1280")
	require.Empty(t, look[string](b, `sessionStorage.getItem('complaints') || ''`))
}
