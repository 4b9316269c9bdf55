package projections

import (
	"github.com/jackc/pgx/v5/pgtype"

	"firstout/internal/events"
)

// words are texts that were read before: of the thousands of rows of an answer most say the same few, which need not be made
// anew for each.
type words map[string]string

func (w words) of(text []byte) string {
	if word, known := w[string(text)]; known {
		return word
	}
	word := string(text)
	w[word] = word
	return word
}

// text scans a column that is never NULL.
func (w words) text(into *string) pgtype.BytesScanner { return word[string]{into: into, words: w} }

// code scans a code that is never NULL.
func (w words) code(into *events.Code) pgtype.BytesScanner {
	return word[events.Code]{into: into, words: w}
}

type word[T ~string] struct {
	into  *T
	words words
}

// ScanBytes takes the text as the driver has it, which is not to be kept.
func (w word[T]) ScanBytes(text []byte) error {
	*w.into = T(w.words.of(text))
	return nil
}
