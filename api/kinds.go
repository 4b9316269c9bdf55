package api

import (
	"net/http"
	"slices"

	"firstout/internal/workshop"
)

// The kinds of problem that are not refusals of the workshop's.
const (
	slugInvalidRequest   workshop.Slug = "invalid-request"
	slugKeyMissing       workshop.Slug = "key-missing"
	slugUnauthenticated  workshop.Slug = "unauthenticated"
	slugForbidden        workshop.Slug = "forbidden"
	slugNotFound         workshop.Slug = "not-found"
	slugMethodNotAllowed workshop.Slug = "method-not-allowed"
	slugNotAcceptable    workshop.Slug = "not-acceptable"
	slugNotSealed        workshop.Slug = "not-sealed"
	slugCursorGone       workshop.Slug = "cursor-gone"
	slugTooLarge         workshop.Slug = "too-large"
	slugUnsupportedMedia workshop.Slug = "unsupported-media-type"
	slugKeyReused        workshop.Slug = "key-reused"
	slugTooManyRequests  workshop.Slug = "too-many-requests"
	slugFault            workshop.Slug = "fault"
	slugUnavailable      workshop.Slug = "unavailable"
)

// generalSlugs are those kinds in the order of their status.
var generalSlugs = []workshop.Slug{
	slugInvalidRequest, slugKeyMissing, slugUnauthenticated, slugForbidden, slugNotFound, slugMethodNotAllowed,
	slugNotAcceptable, slugNotSealed, slugCursorGone, slugTooLarge, slugUnsupportedMedia, slugKeyReused, slugTooManyRequests,
	slugFault, slugUnavailable,
}

// allSlugs are every kind of problem: refusals in the order in which they are told, then the others.
func allSlugs() []workshop.Slug { return slices.Concat(workshop.Slugs, generalSlugs) }

// A kind is what is told about a slug wherever it is met: its title in every problem, the rest on its page.
type kind struct {
	Status int // of unknown-code: in a body, in a URL it is 404; of invalid-request: 422 for what is on the document
	Title  string
	Means  string
	Do     string
	Facts  []fact
}

// A fact is a member of the problem beside the standard ones.
type fact struct{ Name, Meaning string }

var kinds = map[workshop.Slug]kind{
	workshop.RefusedMistypedCode: {
		Status: http.StatusBadRequest, Title: "A code is mistyped",
		Means: "What was sent in place of a code is none, or its last character does not fit the others. Nothing was looked up.",
		Do:    "Look at the label again and type the code as it stands there, its last character included.",
		Facts: []fact{{"typed", "what was sent"}},
	},
	workshop.RefusedUnknownCode: {
		Status: http.StatusUnprocessableEntity, Title: "There is no such thing",
		Means: "The code checks, or the slug is well formed, but the book has nothing of that name. Named in the URL it is 404, in the body 422.",
		Do:    "Look whether another day's or another book's label was read; define what is new first.",
		Facts: []fact{
			{"code", "the code that names nothing"},
			{"name", "the slug that names nothing"},
			{"hold", "the id that names no hold"},
			{"deviation", "the id that names no deviation"},
			{"recall", "the id that names no recall"},
			{"event", "the id that names no event"},
			{"place", "where nothing of that design stands"},
		},
	},
	workshop.RefusedWrongKind: {
		Status: http.StatusUnprocessableEntity, Title: "That is another kind of thing",
		Means: "What was named is there, but it cannot be used so: a run where a lot is meant, a place that does not sell.",
		Do:    "Name a thing of the kind that the sentence asks for.",
		Facts: []fact{
			{"event", "the event that was named: of a definition"},
			{"code", "what was named"},
			{"ingredient", "the ingredient that was named"},
			{"place", "the place that was named"},
			{"places", "every place where it stands, of which one must be named"},
		},
	},
	workshop.RefusedInTheFuture: {
		Status: http.StatusUnprocessableEntity, Title: "That time is still to come",
		Means: "occurred_at is more than 5 minutes ahead of the book's clock.",
		Do:    "Give the time at which it was done, or leave occurred_at out; look at the clock of the device.",
		Facts: []fact{
			{"occurred_at", "the time that was given"},
			{"now", "the book's clock, where that was compared with it"},
		},
	},
	workshop.RefusedTooLongAgo: {
		Status: http.StatusUnprocessableEntity, Title: "That time is too long ago",
		Means: "occurred_at is more than 31 days back.",
		Do:    "Look at the date; if it is right, an owner can write it down.",
		Facts: []fact{
			{"occurred_at", "the time that was given"},
			{"asked", "the time that the clock was to be put to: it only goes forward"},
		},
	},
	workshop.RefusedBeforeItExisted: {
		Status: http.StatusConflict, Title: "That was before it existed",
		Means: "It is said to have happened earlier than the making of something it names.",
		Do:    "Mend the time, or put the earlier entry right first.",
		Facts: []fact{{"in_the_way", "the codes or event ids that came later"}},
	},
	workshop.RefusedWrongState: {
		Status: http.StatusConflict, Title: "It is not in a state for that",
		Means: "Something must be done first, was done already, or does not go in: turning out what was not cast, releasing more than is good, lifting twice, returning more than was drawn, more than the vat holds.",
		Do:    "Read the sentence: it says what is missing or too much.",
		Facts: []fact{
			{"run", "the run"},
			{"code", "the thing"},
			{"vat", "the tank"},
			{"hold", "the hold"},
			{"deviation", "the deviation"},
			{"recall", "the recall"},
			{"undecided", "the things of a recall that have no decision yet"},
			{"state", "what state the run is in: started, cast, filled, capped or turned_out"},
			{"wanted", "pieces asked for"},
			{"available", "pieces that wait for release"},
			{"cast", "pieces that were cast"},
			{"turned_out", "pieces that would be turned out in all"},
			{"drawn_g", "what was drawn"},
			{"returned_g", "what was scraped back"},
			{"in_g", "what went into the bowl"},
			{"yield_g", "what is said to have come out"},
			{"evaporated_g", "what is said to have boiled off"},
			{"capacity_g", "what the tank holds"},
			{"would_hold_g", "what would be in it"},
			{"last_at", "when the tank was last used"},
			{"lifted_at", "when the hold was lifted"},
		},
	},
	workshop.RefusedOnHold: {
		Status: http.StatusConflict, Title: "It is on hold",
		Means: "A hold stands on it. It may be moved, discarded, counted and checked, and nothing else.",
		Do:    "Take another one. An owner lifts the hold when its cause is cleared.",
		Facts: []fact{
			{"code", "what is on hold"},
			{"holds", "the ids of the holds, where pieces wait for release"},
		},
	},
	workshop.RefusedPastDate: {
		Status: http.StatusConflict, Title: "It is past its date",
		Means: "Its use-by had passed at the time given. A best-before alone never leads here.",
		Do:    "Do not use or sell it: discard it. Local food law and the competent authority have the last word.",
		Facts: []fact{
			{"code", "what is past its date"},
			{"discard_by", "the instant at which its use-by ended"},
		},
	},
	workshop.RefusedNotReleased: {
		Status: http.StatusConflict, Title: "It has not been released",
		Means: "The pieces have not passed the gate yet.",
		Do:    "Release them first; tasters may be released in the same request.",
		Facts: []fact{
			{"code", "what was not released"},
		},
	},
	workshop.RefusedWrongChocolate: {
		Status: http.StatusConflict, Title: "That is another kind of chocolate",
		Means: "The vat or the design takes another kind: dark, milk or white.",
		Do:    "Name the right vat or lot; if it is meant, say so with other_chocolate.",
		Facts: []fact{
			{"vat", "the tank"},
			{"code", "what was to go in"},
			{"chocolate", "what the tank or the lot is"},
			{"design", "what the design is made of"},
		},
	},
	workshop.RefusedUndecided: {
		Status: http.StatusConflict, Title: "A deviation of safety is undecided",
		Means: "Something was not as it should have been, and nobody has decided yet what that means for it.",
		Do:    "An owner decides about the deviation, then release.",
		Facts: []fact{
			{"deviations", "the ids of the deviations that nobody has decided"},
		},
	},
	workshop.RefusedAllergensUnknown: {
		Status: http.StatusConflict, Title: "Its allergens are not known",
		Means: "The allergens of something in it were never written down. Not known is not none.",
		Do:    "Read the supplier's label and define the ingredient's allergens, then release.",
		Facts: []fact{
			{"lots", "the lots of which nobody knows"},
		},
	},
	workshop.RefusedNotOnLabel: {
		Status: http.StatusConflict, Title: "An allergen is not on the label",
		Means: "A lot in it carries an allergen that the design's label does not have.",
		Do:    "Do not sell it under the old label: define the ingredient anew, then print and release.",
		Facts: []fact{
			{"allergens", "the allergens that the label does not have"},
		},
	},
	workshop.RefusedNoWholeDay: {
		Status: http.StatusConflict, Title: "No whole day is left in that storage",
		Means: "In that place's storage class it would have no whole day of life, or there is no date for it at all yet.",
		Do:    "Put it in the class that the facts name; if they name none, have the recipe measured or assessed by somebody qualified.",
		Facts: []fact{{"class", "a storage class with a whole day, or null"}},
	},
	workshop.RefusedNotEnough: {
		Status: http.StatusConflict, Title: "There is not enough",
		Means: "Less stands there than was asked for.",
		Do:    "Take what there is, or count: the book may be wrong.",
		Facts: []fact{
			{"wanted", "how much was asked for"},
			{"available", "how much there is"},
			{"unit", "pieces or g"},
			{"place", "where"},
			{"code", "of what, named by its code"},
			{"ingredient", "of what, where the book was to pick it"},
		},
	},
	workshop.RefusedAlreadyCorrected: {
		Status: http.StatusConflict, Title: "That was corrected already",
		Means: "A correction of this command is in force, or it was itself taken back by one.",
		Do:    "Look at what counts now. If that is wrong too, correct the correction: name its event.",
		Facts: []fact{{"event", "the event that was named"}, {"correction", "the event that corrected it"}},
	},
	workshop.RefusedStillUsed: {
		Status: http.StatusConflict, Title: "Something rests on it",
		Means: "What was written down since cannot have happened if this had not: more was used than would have been there, or it names a thing that would not be.",
		Do:    "Correct what stands in the way first, the newest first; or correct this to what does not take so much away.",
		Facts: []fact{
			{"in_the_way", "the codes of what would not be there, or of which there would be too little"},
			{"event", "the event that rests on it"},
			{"event_type", "what that was"},
			{"occurred_at", "and when"},
		},
	},

	slugInvalidRequest: {
		Status: http.StatusBadRequest, Title: "The request cannot be taken as it is",
		Means: "A field, parameter or header is missing, unknown, of the wrong type or outside its limits, or the body is no JSON. With status 422 it is on the document, and cannot be meant beside what else it says or what the book has: a move from a place to itself.",
		Do:    "Mend every place that errors names and send it again. /openapi.yaml says what each field takes.",
		Facts: []fact{{"errors", "every place that is off: pointer (a JSON Pointer into the body, or /query/…, /path/…, /header/…) and detail"}},
	},
	slugKeyMissing: {
		Status: http.StatusBadRequest, Title: "The Idempotency-Key is missing",
		Means: "A write needs a key of its own, so that it can be sent again without being done again.",
		Do:    "Send the header Idempotency-Key with 1 to 128 visible characters, a new one for each thing that happened.",
	},
	slugUnauthenticated: {
		Status: http.StatusUnauthorized, Title: "Who is calling?",
		Means: "There is no key in the request, or one that is not in force: unknown, revoked or expired.",
		Do:    "Send the header Authorization: Bearer with a key made by firstout keys create.",
	},
	slugForbidden: {
		Status: http.StatusForbidden, Title: "This key may not do that",
		Means: "The key's roles do not allow it, or the key is bound to a site and this is of another or of the whole book.",
		Do:    "Use a key with one of the roles, or for the site, that the sentence names.",
	},
	slugNotFound: {
		Status: http.StatusNotFound, Title: "There is nothing at this address",
		Means: "The address is none of the document's.",
		Do:    "Look at /openapi.yaml for the addresses there are.",
	},
	slugMethodNotAllowed: {
		Status: http.StatusMethodNotAllowed, Title: "This address does not take that method",
		Means: "The address is right, the method is not.",
		Do:    "Use one of the methods that the Allow header names.",
	},
	slugNotAcceptable: {
		Status: http.StatusNotAcceptable, Title: "No such form of the answer",
		Means: "The Accept header names no media type that this address can answer with.",
		Do:    "Accept one of the types that the facts name, or leave the header out.",
		Facts: []fact{{"available", "the media types there are"}},
	},
	slugNotSealed: {
		Status: http.StatusConflict, Title: "It is not sealed",
		Means: "The log is sealed a few seconds after it was written, and no checkpoint vouches yet for what was asked about; or this server has no key to sign with and seals nothing.",
		Do:    "Ask for less, or again in half a minute. If the seal stays behind, look at the server's log; if nothing is sealed, give it a signing key (FIRSTOUT_SEAL_KEY).",
		Facts: []fact{
			{"sealed", "how many events the newest checkpoint vouches for"},
			{"position", "how many events there are"},
			{"signed_at", "when the newest checkpoint was signed"},
			{"sealing", "whether this server seals"},
		},
	},
	slugCursorGone: {
		Status: http.StatusGone, Title: "The cursor leads nowhere any more",
		Means: "The cursor or position is of another book, or ahead of this one: the book may have been put back to an earlier state.",
		Do:    "Start the list again from its beginning.",
	},
	slugTooLarge: {
		Status: http.StatusRequestEntityTooLarge, Title: "The body is too large",
		Means: "A body may have 1 MiB.",
		Do:    "Send it in parts, each with a key of its own.",
	},
	slugUnsupportedMedia: {
		Status: http.StatusUnsupportedMediaType, Title: "The body is of another type",
		Means: "Bodies are application/json in UTF-8, without a content coding.",
		Do:    "Send Content-Type: application/json.",
	},
	slugKeyReused: {
		Status: http.StatusUnprocessableEntity, Title: "This key was used for another request",
		Means: "The book keeps every Idempotency-Key for ever. This one belongs to a request with another method, address or body. Nothing was recorded now.",
		Do:    "If this is a new thing that happened, send it with a new key; if it is a retry, send exactly what was sent first.",
	},
	slugTooManyRequests: {
		Status: http.StatusTooManyRequests, Title: "Too many requests",
		Means: "This key, or this address without a key, calls more often than it may, or holds more streams open than it may.",
		Do:    "Wait as many seconds as the header Retry-After says; close a stream that is no longer needed.",
	},
	slugFault: {
		Status: http.StatusInternalServerError, Title: "A fault of the program",
		Means: "Something is wrong with the program, not with the request.",
		Do:    "Send it again with the same key. If it happens again, report the request_id.",
	},
	slugUnavailable: {
		Status: http.StatusServiceUnavailable, Title: "The book cannot be reached",
		Means: "The database is away, or did not answer in time. Whether a write was kept is not known to the caller, and need not be: its key tells.",
		Do:    "Send the same request with the same key again after as many seconds as the header Retry-After says.",
	},
}
