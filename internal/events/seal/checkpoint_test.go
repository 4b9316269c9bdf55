package seal_test

import (
	"crypto/rand"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"firstout/internal/events/seal"
)

func newKey(t testing.TB, name string) (seal.Key, note.Verifier) {
	t.Helper()
	text, err := seal.NewKey(rand.Reader, name)
	require.NoError(t, err)
	key, err := seal.ParseKey(text + "\n")
	require.NoError(t, err)
	require.Equal(t, name, key.Name())
	verifier, err := seal.ParseVerifier(key.Verifier() + "\n")
	require.NoError(t, err)
	return key, verifier
}

// TestCheckpointForm holds the signed form against the very bytes that C2SP's signed-note and tlog-checkpoint say, and
// against the reference package.
func TestCheckpointForm(t *testing.T) {
	t.Parallel()
	key, verifier := newKey(t, "seaside.example/book")
	c := seal.Checkpoint{Origin: "seaside.example/book", Size: 13, Root: seal.Leaf([]byte("x"))}
	signed, err := c.Sign(key)
	require.NoError(t, err)
	lines := strings.Split(string(signed), "\n")
	require.Equal(t, []string{"seaside.example/book", "13", c.Root.String(), ""}, lines[:4])
	require.True(t, strings.HasPrefix(lines[4], "— seaside.example/book "))
	require.Len(t, lines, 6)
	opened, err := note.Open(signed, note.VerifierList(verifier))
	require.NoError(t, err)
	require.Equal(t, c.Text(), opened.Text)
	again, err := seal.Open(signed, verifier)
	require.NoError(t, err)
	require.Equal(t, c, again)
	require.True(t, seal.SignedBy(signed, verifier))
}

// TestMadeKeysFit: many, since a key's base64 can have plus signs of its own.
func TestMadeKeysFit(t *testing.T) {
	t.Parallel()
	for range 200 {
		key, verifier := newKey(t, "a")
		signed, err := seal.Checkpoint{Origin: "a"}.Sign(key)
		require.NoError(t, err)
		_, err = seal.Open(signed, verifier)
		require.NoError(t, err)
	}
}

func TestKeysThatAreNone(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"", " ", "a b", "a+b", "a\n"} {
		_, err := seal.NewKey(rand.Reader, name)
		require.ErrorContains(t, err, "one word", name)
	}
	key, err := seal.NewKey(rand.Reader, "a")
	require.NoError(t, err)
	for _, text := range []string{"", "PRIVATE+KEY+", key[1:], key[:len(key)-4], strings.Replace(key, "KEY+a", "KEY+b", 1)} {
		_, err := seal.ParseKey(text)
		require.ErrorContains(t, err, "PRIVATE+KEY+", "%q", text)
	}
	_, err = seal.ParseVerifier(key)
	require.ErrorContains(t, err, "verifier key")
	require.NotContains(t, err.Error(), key, "a secret is not told")
}

func TestCheckpointsThatAreNone(t *testing.T) {
	t.Parallel()
	key, verifier := newKey(t, "mine")
	_, stranger := newKey(t, "other")
	_, sameName := newKey(t, "mine")
	sign := func(text string, keys ...string) []byte {
		var by []note.Signer
		for _, k := range keys {
			signer, err := note.NewSigner(k)
			require.NoError(t, err)
			by = append(by, signer)
		}
		signed, err := note.Sign(&note.Note{Text: text}, by...)
		require.NoError(t, err)
		return signed
	}
	_, err := seal.Checkpoint{Origin: "other"}.Sign(key)
	require.ErrorContains(t, err, `the key is named "mine"`)

	good, err := seal.Checkpoint{Origin: "mine", Size: 1}.Sign(key)
	require.NoError(t, err)
	_, err = seal.Open(good, stranger)
	require.ErrorContains(t, err, "none of the keys given signed it: it is signed by mine+")
	_, err = seal.Open(good, sameName)
	require.ErrorContains(t, err, "none of the keys given signed it")
	require.False(t, seal.SignedBy(good, sameName))
	_, err = seal.Open(good, sameName, verifier, stranger)
	require.NoError(t, err, "an old key beside a new one")

	text, err := seal.NewKey(rand.Reader, "mine")
	require.NoError(t, err)
	mine, err := seal.ParseKey(text)
	require.NoError(t, err)
	verifier, err = seal.ParseVerifier(mine.Verifier())
	require.NoError(t, err)
	root := seal.Hash{}.String()
	for name, lines := range map[string]string{
		"two lines":        "mine\n1\n",
		"no origin":        "\n1\n" + root + "\n",
		"a leading zero":   "mine\n01\n" + root + "\n",
		"a plus":           "mine\n+1\n" + root + "\n",
		"below nothing":    "mine\n-1\n" + root + "\n",
		"no number":        "mine\none\n" + root + "\n",
		"a short root":     "mine\n1\nAAAA\n",
		"no base64":        "mine\n1\n" + strings.Replace(root, "=", "*", 1) + "\n",
		"bits left over":   "mine\n1\n" + strings.Replace(root, "A=", "B=", 1) + "\n",
		"another's origin": "yours\n1\n" + root + "\n",
		"another's head":   "go.sum database tree\n1\n" + root + "\n",
	} {
		_, err := seal.Open(sign(lines, text), verifier)
		require.Error(t, err, name)
	}
	_, err = seal.Open(sign("mine\n1\n"+root+"\nmore\n", text), verifier)
	require.NoError(t, err, "lines of an extension")
	_, err = seal.Peek([]byte("mine\n1\n"))
	require.Error(t, err)
}

func TestProofText(t *testing.T) {
	t.Parallel()
	key, verifier := newKey(t, "mine")
	var g grown
	for _, event := range []string{"a", "b", "c", "d", "e"} {
		g.add([]byte(event))
	}
	signed, err := seal.Checkpoint{Origin: "mine", Size: 5, Root: g.Root()}.Sign(key)
	require.NoError(t, err)
	p, err := seal.ProveInclusion(3, 5, &g)
	require.NoError(t, err)
	text := string(p.Text(signed))
	require.True(t, strings.HasPrefix(text, "c2sp.org/tlog-proof@v1\nindex 2\n"), "the index counts from 0")
	require.True(t, strings.HasSuffix(text, "\n\n"+string(signed)))

	c, read, err := seal.CheckText([]byte(text), []byte("c"), verifier)
	require.NoError(t, err)
	require.EqualValues(t, 5, c.Size)
	require.Equal(t, p, read)
	_, _, err = seal.CheckText([]byte(strings.Replace(text, "@v1\n", "@v1\nextra eA==\n", 1)), []byte("c"), verifier)
	require.NoError(t, err, "more that is told proves nothing and spoils nothing")

	for name, bad := range map[string]string{
		"another event's":   strings.Replace(text, "index 2", "index 3", 1),
		"no index":          strings.Replace(text, "index 2\n", "", 1),
		"a leading zero":    strings.Replace(text, "index 2", "index 02", 1),
		"a shorter proof":   strings.Replace(text, p.Hashes[0].String()+"\n", "", 1),
		"another head":      strings.Replace(text, "@v1", "@v2", 1),
		"no checkpoint":     strings.Split(text, "\n\n")[0],
		"another size":      strings.Replace(text, "mine\n5\n", "mine\n6\n", 1),
		"no hash":           strings.Replace(text, p.Hashes[0].String(), "x", 1),
		"nothing but heads": "c2sp.org/tlog-proof@v1\n\n" + string(signed),
	} {
		_, _, err := seal.CheckText([]byte(bad), []byte("c"), verifier)
		require.Error(t, err, name)
	}
	_, _, err = seal.CheckText([]byte(text), []byte("x"), verifier)
	require.ErrorContains(t, err, "does not show")
}
