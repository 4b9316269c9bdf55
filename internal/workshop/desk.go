package workshop

import (
	"fmt"
	"runtime/debug"
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/expiry"
)

// A Command is something somebody did and writes down. Both methods are pure.
type Command interface {
	// Needs is a first guess at what must be loaded. It need not be complete: what Decide turns out to need
	// beside is loaded and Decide called again.
	Needs() []Need
	// Decide records what follows at the desk and gives the answer, or refuses and records nothing.
	Decide(d *Desk) (any, *Refusal)
}

// Actor is who gives a command: an opaque id, the roles of the key, and the site it is bound to, if any.
type Actor struct {
	ID    string
	Roles []string
	Site  string
}

// Is says whether the actor has one of the roles.
func (a Actor) Is(roles ...string) bool {
	for _, has := range a.Roles {
		for _, role := range roles {
			if has == role {
				return true
			}
		}
	}
	return false
}

// Done is what every command of something that happened carries.
type Done struct {
	OccurredAt  *time.Time `json:"occurred_at,omitempty"` // nil: now
	AlreadyDone bool       `json:"already_done,omitempty"`
}

// Clock is what a command is stamped with: the moment of writing, given under the head's lock, the position of
// the next event, and a source of event ids.
type Clock struct {
	Now   time.Time
	Next  int64
	NewID func() uuid.UUID
}

// Desk is where a command is decided: a fork of the working set, the clock, and the events recorded so far.
type Desk struct {
	Set      *Set
	Actor    Actor
	Key      string
	Now      time.Time
	At       time.Time // when the command says it happened
	clock    Clock
	site     string
	recorded []events.Recorded
	lives    map[events.Code][]expiry.Kept // of fillings, worked out once a command
	past     *past                         // of what is decided where a corrected command stands
}

// Outcome is what came of a command: recorded events and an answer, or a refusal, or what must be loaded first.
type Outcome struct {
	Recorded []events.Recorded
	Answer   any
	Refusal  *Refusal
	Missing  []Need // what must be loaded before it can be decided; empty if nothing
	Set      *Set   // the fork, to be merged if the command is kept
}

// Carry decides one command on a fork of the set. An error is a fault of ours: nothing of the fork may be kept.
func Carry(set *Set, cmd Command, actor Actor, key string, clock Clock) (outcome Outcome, err error) {
	d := &Desk{Set: set.Fork(), Actor: actor, Key: key, Now: clock.Now, At: clock.Now, clock: clock}
	defer func() {
		switch thrown := recover().(type) {
		case nil:
		case missing:
			outcome = Outcome{Missing: thrown.needs}
		case fault:
			err = fmt.Errorf("decide %T: %w", cmd, thrown.err)
		default:
			err = fmt.Errorf("decide %T: %v\n%s", cmd, thrown, debug.Stack())
		}
	}()
	answer, refusal := cmd.Decide(d)
	if refusal != nil {
		return Outcome{Refusal: refusal}, nil
	}
	d.followRemix()
	d.followBoxes()
	return Outcome{Recorded: d.recorded, Answer: answer, Set: d.Set}, nil
}

// fault is thrown where an event cannot be applied, and caught by Carry.
type fault struct{ err error }

// record writes an event down at the desk and applies it, so that what is decided next sees it.
func (d *Desk) record(at time.Time, site string, data events.Event) events.Recorded {
	r := events.Recorded{
		Position: d.clock.Next + int64(len(d.recorded)), ID: d.clock.NewID(), Version: events.NewestVersion(data),
		OccurredAt: at, RecordedAt: d.Now, Actor: d.Actor.ID, Site: site, Key: d.Key, Data: data,
	}
	if d.past != nil {
		r.Position, r.ID = d.clock.Next+int64(min(len(d.recorded), d.past.places-1)), d.past.id(data, d.clock.NewID)
	}
	r.Command = r.ID
	if len(d.recorded) > 0 {
		r.Command = d.recorded[0].ID
	}
	if err := d.Set.Apply(r); err != nil {
		panic(fault{err: err})
	}
	d.recorded = append(d.recorded, r)
	return r
}

// newCode takes the next code of a kind on the site's local day of an instant.
func (d *Desk) newCode(kind events.Kind, at time.Time, site string) events.Code {
	day := civil.DayOf(at, d.zone(site))
	if d.past != nil {
		return d.past.code(kind, day)
	}
	return events.NewCode(kind, day, d.Set.nextSequence(kind, day), 0)
}

// newPart takes a code for a part of a whole; next is the number that it has unless it was given already.
func (d *Desk) newPart(whole events.Code, next int) events.Code {
	if d.past != nil {
		return d.past.part(whole, next)
	}
	return whole.Part(next)
}

func (d *Desk) zone(site string) *time.Location { return d.Set.Defs.Zone(site) }

// The limits on when something may be said to have happened.
const (
	ahead     = 5 * time.Minute // clocks differ a little
	longAgo   = 31              // civil days back; further only by an owner
	roleOwner = "owner"
)

// instant is a time as the book keeps it: in UTC, to the microsecond.
func instant(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// happened sets the desk's time from the command's occurred_at and refuses an impossible one.
func (d *Desk) happened(done Done, rs *refusals) {
	if done.OccurredAt == nil {
		return
	}
	d.At = instant(*done.OccurredAt)
	if d.At.After(d.Now.Add(ahead)) {
		rs.add(RefusedInTheFuture, Facts{"occurred_at": d.At, "now": d.Now},
			"occurred_at is more than 5 minutes ahead of the book's clock: give the time at which it was done.")
	}
	if d.At.Before(d.Now.AddDate(0, 0, -longAgo)) && !d.Actor.Is(roleOwner) {
		rs.add(RefusedTooLongAgo, Facts{"occurred_at": d.At},
			"occurred_at is more than 31 days back: only an owner may write down what is so long ago.")
	}
}

// existed refuses what is said to have happened before a thing it names came to be.
func (d *Desk) existed(code events.Code, since, at time.Time, rs *refusals) {
	if at.Before(since) {
		rs.add(RefusedBeforeItExisted, Facts{"in_the_way": []events.Code{code}},
			"%s came to be at %s, after this is said to have happened: mend the time, or write %s down earlier.",
			code, since.In(d.zone(d.site)).Format("15:04 on 2 January"), code)
	}
}

// opened refuses what is said to have happened before the hold or deviation that it names.
func (d *Desk) opened(id uuid.UUID, since time.Time, rs *refusals) {
	if d.At.Before(since) {
		rs.add(RefusedBeforeItExisted, Facts{"in_the_way": []uuid.UUID{id}},
			"%s was opened at %s, after this is said to have happened: mend the time.", id, since.In(d.zone(d.site)).Format("15:04 on 2 January"))
	}
}

// place finds a place by its slug and takes its site as the command's; nil, and a refusal noted, if there is none.
func (d *Desk) place(slug string, rs *refusals) *events.Place {
	def := d.Set.Defs.Places.Latest(slug)
	if def == nil {
		rs.unknown("place", slug)
		return nil
	}
	d.site = def.Body.Site
	d.ownSite(rs)
	return &def.Body
}

// knownPlace notes that a place is named and not known.
func (d *Desk) knownPlace(slug string, rs *refusals) {
	if slug != "" && d.Set.Defs.Places.Latest(slug) == nil {
		rs.unknown("place", slug)
	}
}

// knownVat notes that a vat is named and not known.
func (d *Desk) knownVat(slug string, rs *refusals) {
	if slug != "" && d.Set.Defs.Vats.Latest(slug) == nil {
		rs.unknown("vat", slug)
	}
}

// today is the site's local date at the desk's time.
func (d *Desk) today() civil.Day { return civil.DayOf(d.At, d.zone(d.site)) }

// unknownCode notes that a code names nothing in the book.
func (rs *refusals) unknownCode(code events.Code) {
	rs.add(RefusedUnknownCode, Facts{"code": code}, "There is no %s %s in the book: look at the label again.", code.Kind(), code)
}
