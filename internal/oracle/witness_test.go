package oracle_test

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firstout/internal/oracle"
)

// A witness tells commands to the model and to a book, compares what they say, and keeps the history.
type witness struct {
	m         *oracle.Model
	b         theBook
	every     int // commands between two looks at everything
	history   []happening
	unsettled int  // commands left out
	over      bool // the two went apart where a lot is so near the trace that rounding decides: nothing more is told
}

// A happening is a command, when it was written down, what came of it, and the codes that it brought into the book.
type happening struct {
	c     oracle.Command
	now   time.Time
	slug  string
	codes []string
}

// compare tells one more command and gives the first difference.
func (w *witness) compare(c oracle.Command) string {
	if w.over {
		return ""
	}
	return w.unlessRounded(w.told(c))
}

// unlessRounded is a difference, but for one in a book where rounding decides what some lot's allergens and dates bring about.
func (w *witness) unlessRounded(off string) string {
	w.over = w.over || off != "" && w.m.AtTrace()
	if w.over {
		return ""
	}
	return off
}

func (w *witness) told(c oracle.Command) string {
	if w.m.Unsettled(c) {
		w.unsettled++
		return ""
	}
	before, now := len(w.m.Order), w.m.Now
	slug, said := w.m.Do(c)
	w.history = append(w.history, happening{c: c, now: now, slug: slug, codes: slices.Clone(w.m.Order[before:])})
	theirs, theirSaid := w.b.Do(c)
	if slug != theirs {
		return fmt.Sprintf("the refusal\nmodel:   %q\nproduct: %q", slug, theirs)
	}
	if off := oracle.Difference(said, theirSaid); off != "" {
		return "the answer\n" + off
	}
	if len(w.history)%w.every == 0 {
		return w.look()
	}
	return ""
}

func (w *witness) look() string {
	if off := oracle.Difference(w.m.Look(), w.b.Look()); off != "" {
		return "the books after it\n" + off
	}
	return ""
}

// end looks at everything once more, and asks where it all went if the book can be asked.
func (w *witness) end() string {
	if w.over {
		return ""
	}
	if off := w.unlessRounded(w.look()); off != "" || w.over {
		return off
	}
	if b, can := w.b.(interface{ Account() oracle.Facts }); can {
		if off := oracle.Difference(w.m.Account(), b.Account()); off != "" {
			return "the accounts at the end\n" + off
		}
	}
	return ""
}

// replay tells a history again to new books, the things in it by the codes that they have now.
func (w *witness) replay(history []happening) (off string) {
	now := map[string]string{}
	for _, h := range history {
		c := renamed(h.c, now)
		if c.Kind == oracle.Lift && c.Nth > len(w.m.Holds) || c.Kind == oracle.Decide && c.Nth > len(w.m.Deviations) || offDocument(c) {
			continue
		}
		if off = w.compare(c); off != "" {
			return off
		}
		for i, code := range w.history[len(w.history)-1].codes {
			if i < len(h.codes) {
				now[h.codes[i]] = code
			}
		}
	}
	return w.end()
}

// offDocument says whether a command has come to be one that cannot be sent: two lines of a count about one code, or a
// move to where it stands.
func offDocument(c oracle.Command) bool {
	counted := map[string]bool{}
	for _, l := range c.Lines {
		if c.Kind == oracle.Count && counted[l.Code] {
			return true
		}
		counted[l.Code] = true
	}
	return c.Kind == oracle.Move && c.Place == c.To
}

func renamed(c oracle.Command, now map[string]string) oracle.Command {
	name := func(code *string) {
		if renewed, known := now[*code]; known {
			*code = renewed
		}
	}
	c.Draws, c.Lines, c.Fills = slices.Clone(c.Draws), slices.Clone(c.Lines), slices.Clone(c.Fills)
	name(&c.Code)
	for i := range c.Draws {
		name(&c.Draws[i].Source)
	}
	for i := range c.Lines {
		name(&c.Lines[i].Code)
	}
	for i := range c.Fills {
		name(&c.Fills[i].Source)
	}
	return c
}

// shortenFor is how long a history is shortened.
const shortenFor = 20 * time.Second

// shorten leaves out of a history whatever it shows a difference without, and tells what is left of it.
func shorten(history []happening, off string, open func() *witness) string {
	until := time.Now().Add(shortenFor)
	var last *witness
	try := func(shorter []happening) bool {
		w := open()
		found := w.replay(shorter)
		if found == "" {
			return false
		}
		off, last = found, w
		return true
	}
	if !try(history) {
		return "\n" + told(history) + "\nThis difference did not show again when it was told once more:\n" + off
	}
	for size := len(history) / 2; size > 0; size /= 2 {
		for i := len(history) - size; i >= 0 && time.Now().Before(until); i -= size {
			if shorter := slices.Concat(history[:i], history[i+size:]); try(shorter) {
				history = shorter
			}
		}
		if size == 1 && len(last.history) < len(history) { // once more, as long as it gets shorter
			history, size = last.history, 2
		}
	}
	return "\n" + told(last.history) + "\n" + off
}

// told is a history for a person to read.
func told(history []happening) string {
	var lines []string
	for _, h := range history {
		slug := ""
		if h.slug != "" {
			slug = "  → " + h.slug
		}
		lines = append(lines, fmt.Sprintf("%s  %s%s", h.now.Format("2006-01-02 15:04"), h.c, slug))
	}
	return strings.Join(lines, "\n")
}
