// Package events is the language of the log: what can have happened in the workshop, in which words and shapes,
// with the codes, masses and dates that those shapes are made of. It decodes every version of every event ever
// written. It does not know how events are stored, who decides them or what follows from them.
package events

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
)

// An Event is something that happened, in its newest shape. Its name in the log never changes; a changed shape
// is a new version with an upcaster beside its old decoder.
type Event interface {
	// EventType is the stable name in the log: snake_case, past tense.
	EventType() string
	// Touches lists the codes of everything the event concerns, in no order, repeats allowed.
	Touches() []Code
}

// Recorded is an event as it stands in the log.
type Recorded struct {
	Position   int64     // dense from 1, in commit order
	ID         uuid.UUID // UUIDv7
	Version    int       // schema version of Data
	OccurredAt time.Time // when it happened, UTC, to the microsecond
	RecordedAt time.Time // when it was written; never earlier than the event before it
	Actor      string    // opaque id of the key's holder
	Site       string    // slug; empty where no one site is concerned
	Key        string    // the command's idempotency key; empty for a definition
	Command    uuid.UUID // id of the command's first event
	Data       Event
}

// Codes lists what the event touches, each code once, in code order.
func (r Recorded) Codes() []Code {
	codes := slices.DeleteFunc(slices.Clone(r.Data.Touches()), func(c Code) bool { return c == "" })
	slices.SortFunc(codes, Code.Compare)
	return slices.Compact(codes)
}

// timeLayout keeps microseconds, the precision that PostgreSQL keeps.
const timeLayout = "2006-01-02T15:04:05.999999Z07:00"

// FormatTime writes an instant as events do: RFC 3339, UTC, up to six decimals.
func FormatTime(t time.Time) string { return t.UTC().Format(timeLayout) }

// Canonical gives the event's whole envelope in RFC 8785 form.
func (r Recorded) Canonical() ([]byte, error) {
	data, err := json.Marshal(r.Data)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", r.Data.EventType(), err)
	}
	codes := r.Codes()
	if codes == nil {
		codes = []Code{}
	}
	plain, err := json.Marshal(envelope{
		Actor: r.Actor, Codes: codes, Command: r.Command, Data: data, ID: r.ID, Key: r.Key,
		OccurredAt: FormatTime(r.OccurredAt), Position: r.Position, RecordedAt: FormatTime(r.RecordedAt),
		Site: r.Site, Type: r.Data.EventType(), Version: r.Version,
	})
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", r.Data.EventType(), err)
	}
	return Canonicalize(plain)
}

// ParseCanonical reads an event back from its stored bytes, whatever version wrote them.
func ParseCanonical(text []byte) (Recorded, error) {
	e, err := readEnvelope(text)
	if err != nil {
		return Recorded{}, err
	}
	said, err := e.parse()
	if err != nil {
		return Recorded{}, err
	}
	if said.Data, err = Decode(e.Type, e.Version, e.Data); err != nil {
		return Recorded{}, fmt.Errorf("position %d: %w", e.Position, err)
	}
	return said.Recorded, nil
}

// Decode reads the data of an event of a type and version into its newest shape. An unknown type or version is
// an error, never a skip: a program that does not know an event must not go on as if it had not happened.
func Decode(eventType string, version int, data []byte) (Event, error) {
	return decoders.decode(eventType, version, data)
}

// Knows says whether this program reads the events of a type and version.
func Knows(eventType string, version int) bool {
	_, known := decoders[shape(eventType, version)]
	return known
}

// NewestVersion is the schema version in which an event of this type is written today.
func NewestVersion(e Event) int { return newest[e.EventType()] }

var newest = decoders.newest()

// An UnknownError says that an event is of a type or version that this program does not know.
type UnknownError struct {
	Type    string
	Version int
}

func (e *UnknownError) Error() string {
	return fmt.Sprintf("event %s version %d is not known to this program: use a newer one", e.Type, e.Version)
}

// A table says how each version of each event is read: "type/version" → its decoder. An old version's decoder reads the old
// shape and lifts it into the newest.
type table map[string]func([]byte) (Event, error)

func shape(eventType string, version int) string { return fmt.Sprintf("%s/%d", eventType, version) }

func (t table) decode(eventType string, version int, data []byte) (Event, error) {
	decode, known := t[shape(eventType, version)]
	if !known {
		return nil, &UnknownError{Type: eventType, Version: version}
	}
	event, err := decode(data)
	if err != nil {
		return nil, fmt.Errorf("decode %s version %d: %w", eventType, version, err)
	}
	return event, nil
}

// newest is the largest version of each type.
func (t table) newest() map[string]int {
	versions := map[string]int{}
	for key := range t {
		eventType, number, _ := strings.Cut(key, "/")
		version, _ := strconv.Atoi(number) // a test looks at every key
		versions[eventType] = max(versions[eventType], version)
	}
	return versions
}

// as decodes into one event type. Unknown fields are refused: they would be lost on the way back.
func as[T Event](data []byte) (Event, error) {
	var event T
	err := decodeStrictly(data, &event)
	return event, err
}

// lifted decodes an event of an older shape and lifts it to the newest.
func lifted[Old interface{ lift() Event }](data []byte) (Event, error) {
	var old Old
	if err := decodeStrictly(data, &old); err != nil {
		return nil, err
	}
	return old.lift(), nil
}

func decodeStrictly(data []byte, into any) error {
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	return decoder.Decode(into)
}

// decoders knows every version of every event that was ever written, for ever.
var decoders = table{
	"site_defined/1":       as[SiteDefined],
	"place_defined/1":      as[PlaceDefined],
	"supplier_defined/1":   lifted[supplierDefined1],
	"supplier_defined/2":   as[SupplierDefined],
	"buyer_defined/1":      lifted[buyerDefined1],
	"buyer_defined/2":      as[BuyerDefined],
	"ingredient_defined/1": as[IngredientDefined],
	"formula_defined/1":    as[FormulaDefined],
	"vat_defined/1":        as[VatDefined],
	"mould_defined/1":      as[MouldDefined],
	"design_defined/1":     as[DesignDefined],
	"scheme_defined/1":     as[SchemeDefined],
	"person_erased/1":      as[PersonErased],

	"ingredient_received/1": as[IngredientReceived],
	"portion_opened/1":      as[PortionOpened],
	"chocolate_melted/1":    as[ChocolateMelted],
	"vat_emptied/1":         as[VatEmptied],
	"ganache_made/1":        as[GanacheMade],

	"run_started/1":       as[RunStarted],
	"shells_cast/1":       as[ShellsCast],
	"pieces_decorated/1":  as[PiecesDecorated],
	"moulds_filled/1":     as[MouldsFilled],
	"moulds_capped/1":     as[MouldsCapped],
	"pieces_turned_out/1": as[PiecesTurnedOut],
	"pieces_released/1":   as[PiecesReleased],

	"stock_moved/1":     as[StockMoved],
	"pieces_sold/1":     as[PiecesSold],
	"pieces_given/1":    as[PiecesGiven],
	"stock_discarded/1": as[StockDiscarded],
	"stock_counted/1":   as[StockCounted],

	"boxes_packed/1": as[BoxesPacked],
	"boxes_opened/1": as[BoxesOpened],

	"hold_placed/1":       as[HoldPlaced],
	"hold_lifted/1":       as[HoldLifted],
	"checked/1":           as[Checked],
	"deviation_opened/1":  as[DeviationOpened],
	"deviation_decided/1": as[DeviationDecided],
	"redated/1":           as[Redated],
	"label_printed/1":     as[LabelPrinted],
	"command_corrected/1": as[CommandCorrected],

	"recall_opened/1":   as[RecallOpened],
	"recall_narrowed/1": as[RecallNarrowed],
	"recall_closed/1":   as[RecallClosed],
}
