package export_test

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/tlog"

	"firstout/internal/events/export"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 123_000, time.UTC)

// id is an id that follows from a number.
func id(n int) uuid.UUID {
	return uuid.NewSHA1(uuid.NameSpaceOID, []byte(strconv.Itoa(n)))
}

// canonical is something like an event: what the file does not look into may be anything on one line.
func canonical(position int) []byte {
	sum := sha512.Sum512([]byte(strconv.Itoa(position)))
	return fmt.Appendf(nil, `{"data":{"reason":"line\\nend <b> & %x"},"id":"%s","key":"k%d","position":%d}`,
		sum, id(position), position, position)
}

var book = export.Book{Book: "test", Epoch: "an-epoch"}

func answer(position int) export.Answer {
	return export.Answer{
		Key: "k" + strconv.Itoa(position), RequestHash: make([]byte, 32), Status: 201, Body: `{"name":"Café <b>"}`, Position: int64(position), RecordedAt: noon,
	}
}

func head(position int) export.Head {
	return export.Head{Position: int64(position), RecordedAt: noon, DefinitionsAt: 1}
}

// events writes the events from one position to another.
func events(t testing.TB, w *export.Writer, from, to int) {
	t.Helper()
	for p := from; p <= to; p++ {
		require.NoError(t, w.Event(int64(p), canonical(p)))
		if p%7 == 0 {
			require.NoError(t, w.Answer(answer(p)))
		}
	}
}

func end(t testing.TB, w *export.Writer, position int) {
	t.Helper()
	none := answer(0)
	none.Key = "needed none"
	require.NoError(t, w.Rest(none, export.Row{Table: "api_keys", Row: []byte(`{"id":1,"name":"<till>"}`)}, export.Checkpoint{Note: "a\n1\nx\n"}))
	require.NoError(t, w.End(head(position)))
}

// whole is the file of a book of so many events, written at once.
func whole(t testing.TB, position int) []byte {
	t.Helper()
	var file bytes.Buffer
	w, err := export.NewWriter(&file, book)
	require.NoError(t, err)
	events(t, w, 1, position)
	end(t, w, position)
	return file.Bytes()
}

// read reads a file to its end or to an error.
func read(file []byte) (records []export.Record, kept *export.Kept, err error) {
	r := export.NewReader(bytes.NewReader(file))
	for {
		record, err := r.Next()
		if errors.Is(err, io.EOF) {
			return records, r.Kept(), nil
		}
		if err != nil {
			return records, r.Kept(), err
		}
		if e, is := record.(export.Event); is {
			e.Canonical = bytes.Clone(e.Canonical)
			record = e
		}
		records = append(records, record)
	}
}

func TestWhatWasWrittenIsRead(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 1, 2, export.ChunkEvents - 1, export.ChunkEvents, export.ChunkEvents + 1, 2*export.ChunkEvents + 7} {
		records, _, err := read(whole(t, n))
		require.NoError(t, err)
		require.Equal(t, book, records[0])
		var leaves []tlog.Hash
		for _, r := range records {
			switch r := r.(type) {
			case export.Event:
				leaves = append(leaves, tlog.RecordHash(r.Canonical))
				require.EqualValues(t, len(leaves), r.Position)
				require.Equal(t, string(canonical(len(leaves))), string(r.Canonical))
			case export.Answer:
				if r.Position > 0 {
					require.Equal(t, answer(len(leaves)), r)
				}
			}
		}
		require.Len(t, leaves, n)
		wanted := head(n)
		wanted.Tree = rootOf(t, leaves)
		require.Equal(t, wanted, records[len(records)-1])
	}
}

// rootOf is the root of a tree as golang.org/x/mod/sumdb/tlog gives it, from all its stored hashes.
func rootOf(t testing.TB, leaves []tlog.Hash) tlog.Hash {
	t.Helper()
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(at []int64) (found []tlog.Hash, err error) {
		for _, i := range at {
			found = append(found, stored[i])
		}
		return found, nil
	})
	for i, leaf := range leaves {
		more, err := tlog.StoredHashesForRecordHash(int64(i), leaf, reader)
		require.NoError(t, err)
		stored = append(stored, more...)
	}
	root, err := tlog.TreeHash(int64(len(leaves)), reader)
	require.NoError(t, err)
	return root
}

// TestCommonToolsReadIt holds that an auditor needs no program of ours: gzip shows the lines, and what a chunk says of the
// bytes before it can be checked with head and sha256sum.
func TestCommonToolsReadIt(t *testing.T) {
	t.Parallel()
	file := whole(t, export.ChunkEvents+5)
	path := t.TempDir() + "/book.export"
	require.NoError(t, os.WriteFile(path, file, 0o600))
	text, err := exec.CommandContext(t.Context(), "sh", "-c", "gzip -dc <"+path).Output()
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	require.Equal(t, "firstout export 1", lines[0])
	require.Equal(t, `book {"book":"test","epoch":"an-epoch"}`, lines[1])
	var events, chunks int
	for _, line := range lines {
		word, rest, _ := strings.Cut(line, " ")
		switch word {
		case "event":
			events++
			_, canon, _ := strings.Cut(rest, " ")
			require.Equal(t, string(canonical(events)), canon)
		case "chunk", "rest":
			chunks++
			var says struct {
				Bytes  int64
				SHA256 string
			}
			require.NoError(t, json.Unmarshal([]byte(rest), &says))
			require.Equal(t, fmt.Sprintf("%x", sha256.Sum256(file[:says.Bytes])), says.SHA256)
		case "end":
			var n int
			var sum string
			_, err := fmt.Sscanf(rest, "%d sha256 %s", &n, &sum)
			require.NoError(t, err)
			require.Equal(t, fmt.Sprintf("%x", sha256.Sum256(file[:n])), sum)
		}
	}
	require.Equal(t, export.ChunkEvents+5, events)
	require.Equal(t, 3, chunks)
	require.True(t, strings.HasPrefix(lines[len(lines)-1], "end "))
}

// stepOf is how many bytes lie between two that are tried: with FIRSTOUT_LONG=1 so few, and under the race detector many more.
func stepOf(ordinary, long int) int {
	switch {
	case raced:
		return 10 * ordinary
	case os.Getenv("FIRSTOUT_LONG") == "1":
		return long
	}
	return ordinary
}

// TestAFileThatWasGoneOnWithIsTheOneWrittenAtOnce cuts a file (with FIRSTOUT_LONG=1 at every byte), goes on with what is left, and compares.
func TestAFileThatWasGoneOnWithIsTheOneWrittenAtOnce(t *testing.T) {
	t.Parallel()
	const n = export.ChunkEvents + 40
	wanted := whole(t, n)
	longer := whole(t, 2*export.ChunkEvents+3)
	step := stepOf(997, 1)
	kepts := map[int64]bool{}
	for cut := 0; cut <= len(wanted); cut += step {
		_, kept, err := read(wanted[:cut])
		if cut < len(wanted) {
			var early *export.CutError
			require.ErrorAs(t, err, &early, "cut at %d", cut)
		}
		if kept == nil {
			continue // not even its beginning
		}
		if kepts[kept.Bytes] {
			continue
		}
		kepts[kept.Bytes] = true
		require.LessOrEqual(t, kept.Bytes, int64(cut))
		for at, file := range map[int][]byte{n: wanted, 2*export.ChunkEvents + 3: longer} {
			_, kept, _ := read(wanted[:cut])
			gone := bytes.NewBuffer(bytes.Clone(wanted[:kept.Bytes]))
			w := export.Continue(gone, kept)
			events(t, w, int(kept.Position)+1, at)
			end(t, w, at)
			require.Equal(t, file, gone.Bytes(), "cut at %d, gone on from %d to %d", cut, kept.Position, at)
		}
	}
	require.Len(t, kepts, 2, "the beginning, and the first chunk")
	_, kept, err := read(wanted)
	require.NoError(t, err)
	require.EqualValues(t, export.ChunkEvents, kept.Position, "of a finished file the last chunk, which is not full, and the rest are written anew")
}

// TestNoByteCanChangeUnseen changes one bit of every tenth byte of a file, with FIRSTOUT_LONG=1 of every one.
func TestNoByteCanChangeUnseen(t *testing.T) {
	t.Parallel()
	file := whole(t, export.ChunkEvents+40)
	require.Greater(t, len(file), 100_000)
	step := stepOf(10, 1)
	const workers = 4
	for w := range workers {
		t.Run(strconv.Itoa(w), func(t *testing.T) {
			t.Parallel()
			changed := bytes.Clone(file)
			for at := w; at < len(file); at += workers {
				if at/workers%step != 0 && at > 200 && at < len(file)-300 { // the beginning and the end are tried whole
					continue
				}
				changed[at] ^= 1 << (at / 7 % 8)
				_, _, err := read(changed)
				require.Error(t, err, "byte %d", at)
				requireNamed(t, err)
				changed[at] = file[at]
			}
		})
	}
}

// requireNamed holds that damage is told as such and not as some error of a library.
func requireNamed(t *testing.T, err error) {
	t.Helper()
	var altered *export.AlteredError
	var early *export.CutError
	var newer *export.NewerError
	require.True(t, errors.As(err, &altered) || errors.As(err, &early) || errors.As(err, &newer), "%v", err)
}

// repack unpacks a file, has its text changed and packs it anew, with every checksum of the packing right again but not what
// the lines say.
func repack(t *testing.T, file []byte, change func(text string) string) []byte {
	t.Helper()
	in := bytes.NewReader(file)
	var out bytes.Buffer
	unpacked, err := gzip.NewReader(in)
	require.NoError(t, err)
	for {
		unpacked.Multistream(false)
		text, err := io.ReadAll(unpacked)
		require.NoError(t, err)
		packed := gzip.NewWriter(&out)
		_, err = packed.Write([]byte(change(string(text))))
		require.NoError(t, err)
		require.NoError(t, packed.Close())
		if errors.Is(unpacked.Reset(in), io.EOF) {
			return out.Bytes()
		}
	}
}

var eventAt707 = regexp.MustCompile(`(?m)^event .*"position":707}\n`)

func TestWhatIsWrongIsNamed(t *testing.T) {
	t.Parallel()
	const n = export.ChunkEvents + 40
	file := whole(t, n)
	for why, c := range map[string]struct {
		change   func(string) string
		position int64
	}{
		"a word in an event": {func(s string) string { return strings.Replace(s, `"position":700}`, `"position":701}`, 1) }, 700},
		"an event left out":  {func(s string) string { return eventAt707.ReplaceAllString(s, "") }, 707},
		"a word in an answer": {func(s string) string {
			return strings.Replace(s, `{"key":"k700","request`, `{"kez":"k700","request`, 1)
		}, 700},
		"a line more":                 {func(s string) string { return strings.Replace(s, "\nevent", "\nnothing {}\nevent", 1) }, 1},
		"an answer to another":        {func(s string) string { return strings.Replace(s, `"position":693,`, `"position":692,`, 1) }, 693},
		"a tree":                      {func(s string) string { return strings.Replace(s, `"after":1024`, `"after":1023`, 1) }, 1},
		"what a chunk says is before": {func(s string) string { return strings.Replace(s, `"sha256":"`, `"sha256":"00`, 1) }, 1},
	} {
		_, _, err := read(repack(t, file, c.change))
		var altered *export.AlteredError
		require.ErrorAs(t, err, &altered, why)
		require.Equal(t, c.position, altered.Position, "%s: %v", why, err)
	}
	for why, c := range map[string]func(string) string{
		"another format": func(s string) string { return strings.Replace(s, "export 1", "export 2", 1) },
		"a line to come": func(s string) string { return strings.Replace(s, "\nhead", "\nsecret {}\nhead", 1) },
	} {
		_, _, err := read(repack(t, file, c))
		var newer *export.NewerError
		require.ErrorAs(t, err, &newer, why)
	}
	for _, none := range []string{"no export at all", "short", "\x1f", "\x1f\x8c"} {
		_, _, err := read([]byte(none))
		var newer *export.NewerError
		var early *export.CutError
		require.True(t, errors.As(err, &newer) || none == "\x1f" && errors.As(err, &early), none)
	}
	_, _, err := read(append(bytes.Clone(file), "more"...))
	require.ErrorContains(t, err, "something stands behind the end")
}
