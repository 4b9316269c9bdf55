// Package epcis tells what happened in the workshop in the words of EPCIS 2.0 and its Core Business Vocabulary (ISO/IEC
// 19987 and 19988), as a JSON-LD document that another party's system can read. It only translates: it does not know
// where events come from, and decides nothing about them.
//
// Three events of the workshop have no word there and are left out: a deviation, its decision and a change of date.
package epcis

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// Prefix is how own words stand in a document; its meaning is declared in the document's context.
const Prefix = "firstout"

// context is the standard's own, under its version.
const contextURI = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"

// A Book is what the events of a document are told with.
type Book struct {
	Base string // URI under which things, places and parties have theirs, without a slash at its end
	Defs *workshop.Definitions

	Runs   map[events.Code]workshop.Run // what the runs, and parts of runs, of the document are
	Fills  map[events.Code][]Fill       // what was poured into each charge, in the order in which it folds
	OnHand map[At]events.Amount         // what there was of a thing when it was checked or held
	Errors map[uuid.UUID]Declared       // events that were declared wrong since
}

// At names a thing as an event of that position concerned it.
type At struct {
	Position int64
	Code     events.Code
}

// A Fill is a lot of chocolate in a vat: what was there when something was poured in, and what was poured. Each pouring
// makes a new one, with the rest of the one before as an input, so that what was drawn earlier stays apart.
type Fill struct {
	Position   int64
	OccurredAt time.Time
	Rest       events.Mass // of the fill before
	Poured     events.Mass
}

// Declared says that an event was wrong: when that was written down, and which events tell it right. Without any it never
// happened.
type Declared struct {
	At    time.Time
	Right []uuid.UUID
}

// object is a JSON object; encoding/json writes its members in order of their names.
type object = map[string]any

// Document writes events, in their order, as one EPCIS document.
func (b Book) Document(created time.Time, recorded []events.Recorded) ([]byte, error) {
	t := &telling{Book: b, dates: map[events.Code]events.Expiry{}, classes: map[string]object{}}
	for _, r := range recorded {
		t.tell(r)
	}
	document := object{
		"@context":      []any{contextURI, object{Prefix: b.Base + "/voc/"}},
		"type":          "EPCISDocument",
		"schemaVersion": "2.0",
		"creationDate":  created.UTC().Format(timeLayout),
		"epcisBody":     object{"eventList": notNil(t.list)},
	}
	if header := t.masterData(); header != nil {
		document["epcisHeader"] = header
	}
	text, err := json.Marshal(document)
	if err != nil {
		return nil, fmt.Errorf("write an EPCIS document: %w", err)
	}
	return text, nil
}

func notNil(list []object) []object {
	if list == nil {
		return []object{}
	}
	return list
}

// timeLayout always gives the offset in figures: EPCIS takes no Z for one.
const timeLayout = "2006-01-02T15:04:05.999999-07:00"

// telling is one document on its way.
type telling struct {
	Book
	list    []object
	dates   map[events.Code]events.Expiry // the last ones that the events so far have said
	classes map[string]object             // master data, by class
	order   []string                      // of the classes

	buyers map[string]object // master data, by slug

	r    events.Recorded
	told int // EPCIS events that r has become so far
}

// common begins an EPCIS event for the event that is being told. The first has its id; what more it becomes has ids that
// follow from that, so that they are the same in every document.
func (t *telling) common(kind string) object {
	zone := t.Defs.Zone(t.r.Site)
	at := t.r.OccurredAt.In(zone)
	id := t.r.ID
	if t.told > 0 {
		id = uuid.NewSHA1(id, fmt.Appendf(nil, "%d", t.told))
	}
	t.told++
	e := object{
		"type":                kind,
		"eventID":             "urn:uuid:" + id.String(),
		"eventTime":           at.Format(timeLayout),
		"eventTimeZoneOffset": at.Format("-07:00"),
		"recordTime":          t.r.RecordedAt.In(zone).Format(timeLayout),
	}
	if wrong, is := t.Errors[t.r.ID]; is {
		e["errorDeclaration"] = declaration(wrong, zone)
	}
	t.list = append(t.list, e)
	return e
}

func declaration(wrong Declared, zone *time.Location) object {
	d := object{"declarationTime": wrong.At.In(zone).Format(timeLayout), "reason": "did_not_occur"}
	if len(wrong.Right) > 0 {
		var ids []string
		for _, id := range wrong.Right {
			ids = append(ids, "urn:uuid:"+id.String())
		}
		d["reason"], d["correctiveEventIDs"] = "incorrect_data", ids
	}
	return d
}

// observed begins an ObjectEvent.
func (t *telling) observed(action, step, disposition string, what []object) object {
	e := t.common("ObjectEvent")
	e["action"], e["bizStep"], e["quantityList"] = action, step, what
	if disposition != "" {
		e["disposition"] = disposition
	}
	return e
}

// made begins a TransformationEvent of the job that its command is.
func (t *telling) made(step string, in, out []object) object {
	e := t.common("TransformationEvent")
	e["bizStep"] = step
	if len(in) > 0 {
		e["inputQuantityList"] = in
	}
	if len(out) > 0 {
		e["outputQuantityList"] = out
	}
	e["bizTransactionList"] = []object{{"type": "prodorder", "bizTransaction": "urn:uuid:" + t.r.Command.String()}}
	return e
}

// at says where: read there, and there from then on.
func (t *telling) at(e object, slug string) {
	if slug != "" {
		e["readPoint"] = object{"id": t.place(slug)}
		e["bizLocation"] = object{"id": t.place(slug)}
	}
}

// own puts an own word into an event.
func own(e object, name string, value any) { e[Prefix+":"+name] = value }

// grams is a quantity of a class, in grams.
func grams(class string, mass events.Mass) object {
	return object{"epcClass": class, "quantity": json.Number(mass.Grams()), "uom": "GRM"}
}

// counted is a number of pieces of a class: without a unit the standard counts.
func counted(class string, pieces int) object { return object{"epcClass": class, "quantity": pieces} }

// amount is a quantity of a thing: pieces or grams, or where neither is known the thing alone.
func (t *telling) amount(code events.Code, a events.Amount) object {
	switch {
	case a.Pieces != 0:
		return counted(t.class(code), a.Pieces)
	case a.Quantity != 0:
		return grams(t.class(code), a.Quantity)
	}
	return object{"epcClass": t.class(code)}
}

// ilmd says of what lot and until when something that was made is.
func (t *telling) ilmd(code events.Code, expiry events.Expiry) object {
	ilmd := object{"cbvmda:lotNumber": string(code)}
	switch {
	case expiry.Date == nil:
	case expiry.Kind == "use_by":
		ilmd["cbvmda:itemExpirationDate"] = expiry.Date.String()
	default:
		ilmd["cbvmda:bestBeforeDate"] = expiry.Date.String()
	}
	return ilmd
}

// masterData says what is known of the suppliers' lots and of buyers, which the events themselves may not carry.
func (t *telling) masterData() object {
	var lists []object
	if len(t.order) > 0 {
		var elements []object
		for _, class := range t.order {
			elements = append(elements, t.classes[class])
		}
		lists = append(lists, object{"type": "urn:epcglobal:epcis:vtype:EPCClass", "vocabularyElementList": elements})
	}
	if len(t.buyers) > 0 {
		var elements []object
		for _, slug := range slices.Sorted(maps.Keys(t.buyers)) {
			elements = append(elements, t.buyers[slug])
		}
		lists = append(lists, object{"type": "urn:epcglobal:epcis:vtype:SourceDest", "vocabularyElementList": elements})
	}
	if len(lists) == 0 {
		return nil
	}
	return object{"epcisMasterData": object{"vocabularyList": lists}}
}

func (t *telling) describe(class string, attributes ...[2]string) {
	if t.classes[class] == nil {
		t.order = append(t.order, class)
	}
	var list []object
	for _, a := range attributes {
		if a[1] != "" {
			list = append(list, object{"id": "urn:epcglobal:cbv:mda:" + a[0], "attribute": a[1]})
		}
	}
	t.classes[class] = object{"id": class, "attributes": list}
}

func trimmed(text string) string { return strings.TrimRight(text, "/") }
