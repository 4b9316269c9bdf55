package workshop

import (
	"fmt"
	"slices"

	"firstout/internal/events"
	"firstout/internal/gs1"
)

// Slug names a kind of refusal, as in /problems/<slug>.
type Slug string

// The refusals, in the order in which one is chosen when several apply: by this order over the whole request,
// then by line.
const (
	RefusedMistypedCode     Slug = "mistyped-code"
	RefusedUnknownCode      Slug = "unknown-code"
	RefusedWrongKind        Slug = "wrong-kind-of-thing"
	RefusedInTheFuture      Slug = "in-the-future"
	RefusedTooLongAgo       Slug = "too-long-ago"
	RefusedBeforeItExisted  Slug = "before-it-existed"
	RefusedWrongState       Slug = "wrong-state"
	RefusedOnHold           Slug = "on-hold"
	RefusedPastDate         Slug = "past-date"
	RefusedNotReleased      Slug = "not-released"
	RefusedWrongChocolate   Slug = "wrong-chocolate"
	RefusedUndecided        Slug = "undecided-deviation"
	RefusedAllergensUnknown Slug = "allergens-unknown"
	RefusedNotOnLabel       Slug = "allergen-not-on-label"
	RefusedNoWholeDay       Slug = "no-whole-day"
	RefusedNotEnough        Slug = "not-enough"
	RefusedAlreadyCorrected Slug = "already-corrected"
	RefusedStillUsed        Slug = "still-used"
)

// The two general problems that only a decision can see: what is not this key's to do, and a field whose value
// no such thing can have.
const (
	RefusedForbidden Slug = "forbidden"
	RefusedInvalid   Slug = "invalid-request"
)

// Slugs lists the refusals in their order.
var Slugs = []Slug{
	RefusedMistypedCode, RefusedUnknownCode, RefusedWrongKind, RefusedInTheFuture, RefusedTooLongAgo,
	RefusedBeforeItExisted, RefusedWrongState, RefusedOnHold, RefusedPastDate, RefusedNotReleased,
	RefusedWrongChocolate, RefusedUndecided, RefusedAllergensUnknown, RefusedNotOnLabel, RefusedNoWholeDay,
	RefusedNotEnough, RefusedAlreadyCorrected, RefusedStillUsed,
}

// A Refusal is a command's "no": which rule stands in its way, a sentence that a person can act on, and the
// facts for a program. InURL says that what is unknown was named in the URL.
type Refusal struct {
	Slug   Slug
	Detail string
	Facts  Facts
	InURL  bool
}

// Facts are a refusal's members beside its sentence.
type Facts map[string]any

// Error gives the sentence, so that a refusal can travel as an error.
func (r *Refusal) Error() string { return string(r.Slug) + ": " + r.Detail }

// refusals gathers everything that stands in a command's way, so that the first by order can be told.
type refusals []*Refusal

// add notes one more. Lines are added in their order.
func (rs *refusals) add(slug Slug, facts Facts, format string, args ...any) {
	*rs = append(*rs, &Refusal{Slug: slug, Facts: facts, Detail: fmt.Sprintf(format, args...)})
}

// unknown notes that a name in the request is not known to the book.
func (rs *refusals) unknown(what, slug string) {
	rs.add(RefusedUnknownCode, Facts{"name": slug}, "There is no %s %q in the book: define it first, or mend the name.", what, slug)
}

// forbidden refuses what the actor's roles do not allow.
func forbidden(format string, args ...any) *Refusal {
	return &Refusal{Slug: RefusedForbidden, Detail: fmt.Sprintf(format, args...)}
}

// invalid refuses a field whose value nothing of that kind can have; the pointer is a JSON Pointer into the body.
func invalid(pointer, format string, args ...any) *Refusal {
	detail := fmt.Sprintf(format, args...)
	return &Refusal{
		Slug: RefusedInvalid, Detail: detail,
		Facts: Facts{"errors": []map[string]string{{"pointer": pointer, "detail": detail}}},
	}
}

// first is the refusal to tell, nil if nothing stands in the way.
func (rs refusals) first() *Refusal {
	if len(rs) == 0 {
		return nil
	}
	return slices.MinFunc(rs, func(a, b *Refusal) int { // the first of equals: line order
		return slices.Index(Slugs, a.Slug) - slices.Index(Slugs, b.Slug) // a general problem is before them all
	})
}

// recordable are the rules that a fact may have broken: with already_done it is recorded all the same.
var recordable = []Slug{
	RefusedOnHold, RefusedPastDate, RefusedNotReleased, RefusedWrongChocolate, RefusedUndecided,
	RefusedNotOnLabel, RefusedNoWholeDay, RefusedNotEnough,
}

// settle tells the refusal, or, where the work is already done and every rule broken may be recorded, which
// rules those are, in order.
func (rs refusals) settle(alreadyDone bool) ([]string, *Refusal) {
	first := rs.first()
	if first == nil || !alreadyDone || !slices.Contains(Slugs, first.Slug) { // that it is done gives nobody the right to it
		return nil, first
	}
	var broken []string
	for _, slug := range Slugs {
		at := slices.IndexFunc(rs, func(r *Refusal) bool { return r.Slug == slug })
		if at < 0 {
			continue
		}
		if !slices.Contains(recordable, slug) {
			return nil, rs[at]
		}
		broken = append(broken, string(slug))
	}
	return broken, nil
}

// inOrder is rules in the order of Slugs, each once.
func inOrder(rules []string) []string {
	var ordered []string
	for _, slug := range Slugs {
		if slices.Contains(rules, string(slug)) {
			ordered = append(ordered, string(slug))
		}
	}
	return ordered
}

// ParseCode reads a typed code, or what a reader sends of a symbol on one of our labels, or refuses it before anything is
// looked up.
func ParseCode(typed string) (events.Code, *Refusal) {
	read := typed
	if lot, scanned := gs1.LotIn(typed); scanned {
		read = lot
	}
	code, err := events.ParseCode(read)
	if err != nil {
		return "", &Refusal{
			Slug: RefusedMistypedCode, Facts: Facts{"typed": typed},
			Detail: fmt.Sprintf("%q is not a code: look at the label again and type it as it stands there, with its last character.", typed),
		}
	}
	return code, nil
}
