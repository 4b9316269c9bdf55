package workshop

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file says what belongs on a thing's label: that of a run is for who buys its pieces, that of a box for who buys the
// box, that of a ganache, a lot or a portion for the workshop's own use. The places named are of Regulation (EU) No 1169/2011. Nothing of it is worked out
// anew: the date is the one that was recorded.

// Label is the content of a label.
type Label struct {
	Code        events.Code    `json:"code"`
	Kind        string         `json:"kind"`     // run, box, ganache, lot or portion
	ForSale     bool           `json:"for_sale"` // else for the workshop's own use
	Name        string         `json:"name"`
	Defrosted   bool           `json:"defrosted"` // part of the name where it was frozen (Annex VI, A 2)
	LotMark     string         `json:"lot_mark"`  // as printed
	MadeOn      civil.Day      `json:"made_on"`   // made, packed, received or opened
	Date        *LabelDate     `json:"date"`      // nil while there is none
	Ingredients []LabelItem    `json:"ingredients"`
	List        []Span         `json:"ingredients_list"` // the items one after the other, as printed
	Allergens   LabelAllergens `json:"allergens"`
	Storage     LabelStorage   `json:"storage"`
	Net         LabelNet       `json:"net"`
	Operator    string         `json:"operator"`
	Address     string         `json:"address"`
	GS1         *LabelGS1      `json:"gs1"`     // nil without a product number
	Content     string         `json:"content"` // version of what is printed: another text has another
	Printed     *LabelPrint    `json:"printed"` // the last print; nil: none
	Warnings    []string       `json:"warnings"`
	Cautions    []string       `json:"cautions"`
}

// A Span is a piece of text, set apart or not (Art. 21(1)(b)).
type Span struct {
	Text       string `json:"text"`
	Emphasised bool   `json:"emphasised"`
}

// LabelStorage is the class in which the thing keeps until its date, and the sentence that says so.
type LabelStorage struct {
	Class string `json:"class"`
	Text  string `json:"text"`
}

// LabelPrint is what stood on a label when it was last printed.
type LabelPrint struct {
	At         time.Time  `json:"at"`
	Copies     int        `json:"copies"`
	Name       string     `json:"name"`
	DateKind   string     `json:"date_kind"`
	Date       *civil.Day `json:"date"`
	Contains   []string   `json:"contains"`
	MayContain []string   `json:"may_contain"`
	Content    string     `json:"content"`
}

// Labelled is the last print of a thing's label; nil: none was printed.
type Labelled struct {
	Label *LabelPrint `json:"label,omitempty"`
}

// HasLabel says whether things of a code's kind carry labels: what is in a tank has none.
func HasLabel(code events.Code) bool {
	switch code.Kind() {
	case events.KindLot, events.KindGanache, events.KindRun, events.KindBox:
		return true
	default:
		return false
	}
}

// labelCautions stand beside every label.
var labelCautions = []string{
	"Check the whole label against local food law before it is used: wording, language, type size, and what your own case adds or leaves out.",
	"Allergens are those recorded of the lots used: check them against the suppliers' packets.",
	"The date rests on what was recorded; the competent authority and a qualified person decide.",
}

// Label gives the content of the label of a thing that the set knows. pieces is how many of a run are in one pack; 0: they
// are sold loose.
func (s *Set) Label(code events.Code, pieces int) Label {
	thing := s.alike(code)
	mix := s.labelMix(code)
	l := Label{
		Code: code, Kind: kindWord(code), ForSale: inPieces(code), LotMark: "Lot " + string(code),
		MadeOn: civil.DayOf(s.madeAt(code), s.Defs.Zone(thing.site)), Defrosted: s.defrosted(code),
		Storage: s.labelStorage(code), Printed: s.printOf(code), Warnings: []string{}, Cautions: labelCautions,
	}
	l.Name = s.labelName(code)
	l.Date = labelDate(thing.expiry, l.MadeOn, l.ForSale)
	allergens := s.labelled(code)
	l.Allergens = labelAllergens(allergens, s.handled(thing.site))
	l.Ingredients = s.labelItems(code, mix)
	l.List = joinItems(l.Ingredients)
	l.Net = s.labelNet(code, pieces)
	if site := s.Defs.Sites.Latest(thing.site); site != nil {
		l.Operator, l.Address = site.Body.Operator, site.Body.Address
	}
	l.warn(s, mix, allergens)
	l.addGS1(s, pieces)
	l.Content = l.version()
	return l
}

// labelMix is what a thing is made of; a lot is made of itself.
func (s *Set) labelMix(code events.Code) Mix {
	switch code.Kind() {
	case events.KindRun:
		return s.Run(code).Mix
	case events.KindGanache:
		return s.Ganache(code).Mix
	case events.KindBox:
		return s.Box(code).Mix
	default:
		if lot := s.Lot(code); len(lot.Mix) > 0 {
			return lot.Mix
		}
		return Mix{{Lot: code.Whole(), Mass: 1, Direct: true}}
	}
}

// madeAt is when a thing was made, received or opened; a part that was moved apart is as old as its whole.
func (s *Set) madeAt(code events.Code) time.Time {
	switch code.Kind() {
	case events.KindRun:
		return s.Run(code).At
	case events.KindGanache:
		return s.Ganache(code).At
	case events.KindBox:
		return s.Box(code).At
	default:
		return s.Lot(code).At
	}
}

// labelName is the name of the food by the definition in force: what is mended there is mended on the next label.
func (s *Set) labelName(code events.Code) string {
	switch code.Kind() {
	case events.KindRun:
		return s.foodName(s.Run(code).Design)
	case events.KindBox:
		return s.boxName(s.Box(code))
	case events.KindGanache:
		slug := s.Ganache(code).Formula
		if def := s.Defs.Formulas.Latest(slug); def != nil {
			return def.Body.Name
		}
		return slug
	default:
		return s.ingredientName(s.Lot(code).Ingredient)
	}
}

func (s *Set) ingredientName(slug string) string {
	if def := s.Defs.Ingredients.Latest(slug); def != nil {
		return firstOf(def.Body.LabelName, def.Body.Name)
	}
	return slug
}

func firstOf(texts ...string) string {
	at := slices.IndexFunc(texts, func(text string) bool { return text != "" })
	if at < 0 {
		return ""
	}
	return texts[at]
}

// defrosted says whether a thing, or what it came out of, has been in the freezer and is not there any more.
func (s *Set) defrosted(code events.Code) bool {
	lineage := s.lineage(code)
	if code.Kind() == events.KindBox {
		for _, run := range s.runsInside(s.Box(code)) {
			lineage = append(lineage, s.lineage(run)...)
		}
	}
	return slices.ContainsFunc(lineage, func(of events.Code) bool {
		parted := s.alike(of).Parted
		return parted != nil && parted.Cause == events.PartedThawed
	})
}

func (s *Set) printOf(code events.Code) *LabelPrint {
	switch code.Kind() {
	case events.KindRun:
		return s.Run(code).Label
	case events.KindGanache:
		return s.Ganache(code).Label
	case events.KindBox:
		return s.Box(code).Label
	default:
		return s.Lot(code).Label
	}
}

// warn says what is missing on the label, or speaks against it.
func (l *Label) warn(s *Set, mix Mix, allergens Allergens) {
	note := func(format string, args ...any) { l.Warnings = append(l.Warnings, fmt.Sprintf(format, args...)) }
	if len(allergens.Unknown) > 0 {
		note("The allergens of %s are not known: do not sell under this label.", allergens.Unknown[0])
	}
	if l.Date == nil {
		note("There is no date yet.")
	}
	if len(mix) == 0 {
		note("The book does not know yet what is in it.")
	}
	if slices.ContainsFunc(mix, func(p MixPart) bool { return p.Lot == "" && p.Ingredient == "" }) {
		note("Some of what is in it is of lots that the book does not know.")
	}
	if !l.ForSale {
		return
	}
	if l.Operator == "" || l.Address == "" {
		note("The site has no operator or no address: both belong on the label.")
	}
	for _, item := range l.Ingredients {
		if def := s.Defs.Ingredients.Latest(item.Ingredient); def != nil && def.Body.Kind == kindCouverture && def.Body.Consists == "" {
			note("%s has no ingredients_text: a compound ingredient is listed with its own ingredients.", def.Body.Name)
		}
	}
	for _, design := range s.labelDesigns(l.Code) {
		l.Warnings = append(l.Warnings, DesignWarnings(design)...)
	}
	for _, slug := range s.quid(l.Code) {
		if !slices.ContainsFunc(l.Ingredients, func(i LabelItem) bool { return i.Ingredient == slug }) {
			note("%s is to be given with its percentage and is not in it.", slug)
		}
	}
}

const (
	kindCouverture = "couverture"
	kindPackaging  = "packaging"
	kindUseBy      = "use_by"
)

// version names what is printed, the pack's own weight apart: the same text has the same.
func (l Label) version() string {
	printed := l
	printed.Net, printed.Content, printed.Printed, printed.Warnings, printed.Cautions = LabelNet{}, "", nil, nil, nil
	if l.GS1 != nil { // a pack's weight is in its symbol
		printed.GS1 = &LabelGS1{GTIN: l.GS1.GTIN}
	}
	text, err := json.Marshal(printed)
	if err != nil {
		panic(fault{err: fmt.Errorf("name the content of the label of %s: %w", l.Code, err)})
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:6])
}

// labelStorage is how a thing is to be kept: as where it stands, or was meant to. Of several places the coldest: kept so,
// the date holds for what stands in the others too.
func (s *Set) labelStorage(code events.Code) LabelStorage {
	place := ""
	switch code.Kind() {
	case events.KindRun:
		place = s.Run(code).Place
	case events.KindGanache:
		place = s.Ganache(code).Place
	case events.KindBox:
		place = s.Box(code).Place
	default:
	}
	class := ""
	if def := s.Defs.Places.Latest(place); def != nil {
		class = def.Body.Storage
	} else if code.Kind() == events.KindLot {
		if def := s.Defs.Ingredients.Latest(s.Lot(code).Ingredient); def != nil {
			class = def.Body.Storage
		}
	}
	limit, standing := 0.0, false
	for _, line := range s.LinesOf(code) {
		def := s.Defs.Places.Latest(line.Place)
		if line.Amount == 0 || def == nil {
			continue
		}
		own := classLimitC[def.Body.Storage]
		if def.Body.LimitC != nil {
			own = *def.Body.LimitC
		}
		if !standing || own < limit {
			class, limit, standing = def.Body.Storage, own, true
		}
	}
	class = firstOf(class, storageCool)
	if !standing {
		limit = classLimitC[class]
	}
	return LabelStorage{Class: class, Text: storageText(class, limit)}
}

func storageText(class string, limit float64) string {
	switch class {
	case storageChilled:
		return fmt.Sprintf("Keep refrigerated, at no more than %g °C.", limit)
	case storageFrozen:
		return fmt.Sprintf("Keep frozen, at %g °C or below.", limit)
	}
	return fmt.Sprintf("Keep cool and dry, at no more than %g °C.", limit)
}

// LabelDate is a date in the words of Annex X: the day, the month in letters and the year, in that order.
type LabelDate struct {
	Kind string    `json:"kind"` // use_by or best_before
	Date civil.Day `json:"date"` // inclusive
	Text string    `json:"text"`
	// Least is the shortest form that the law takes for a life so long; nil for the workshop's own labels.
	Least *LeastDate `json:"least"`
}

// LeastDate is the shortest form of a date. Through is the last day that it promises. Where it has no day the lot mark must
// stand beside it (Directive 2011/91/EU, Art. 5).
type LeastDate struct {
	Text         string    `json:"text"`
	Through      civil.Day `json:"through"`
	NeedsLotMark bool      `json:"needs_lot_mark"`
}

func labelDate(e events.Expiry, made civil.Day, forSale bool) *LabelDate {
	if e.Date == nil {
		return nil
	}
	date := &LabelDate{Kind: e.Kind, Date: *e.Date}
	words := "Best before "
	if e.Kind == kindUseBy {
		words = "Use by "
	}
	day := fmt.Sprintf("%d %s", e.Date.Day, e.Date.Month)
	date.Text = fmt.Sprintf("%s%s %d", words, day, e.Date.Year)
	if !forSale {
		return date
	}
	least := LeastDate{Text: words + day, Through: *e.Date}
	if e.Kind != kindUseBy {
		switch printed := expiry.PrintedForm(made, *e.Date); printed.Form {
		case expiry.FormMonthYear:
			least = LeastDate{Text: fmt.Sprintf("Best before end %s %d", printed.Through.Month, printed.Through.Year), Through: printed.Through, NeedsLotMark: true}
		case expiry.FormYear:
			least = LeastDate{Text: fmt.Sprintf("Best before end %d", printed.Through.Year), Through: printed.Through, NeedsLotMark: true}
		}
	}
	date.Least = &least
	return date
}

// LabelNet is how much there is: of a run, in a pack of so many pieces, or each where they are sold loose; in one box; of anything else
// what is on hand.
type LabelNet struct {
	Pieces   int          `json:"pieces,omitempty"`
	PieceG   *events.Mass `json:"piece_g,omitempty"`
	Quantity *events.Mass `json:"net_g,omitempty"` // absent where pieces are sold loose
	Text     string       `json:"text"`
}

func (s *Set) labelNet(code events.Code, pieces int) LabelNet {
	if code.Kind() == events.KindBox {
		return boxNet(s.Box(code))
	}
	if code.Kind() != events.KindRun {
		total := events.Mass(0)
		for _, line := range s.LinesOf(code) {
			total += events.Mass(line.Amount)
		}
		return LabelNet{Quantity: &total, Text: total.Grams() + " g"}
	}
	piece := s.pieceMass(s.Run(code))
	net := LabelNet{Pieces: pieces, PieceG: &piece, Text: fmt.Sprintf("%s g each, sold loose: price per 100 g", tenths(piece))}
	if pieces > 0 {
		total := piece.Times(pieces)
		net.Quantity, net.Text = &total, tenths(total)+" g"
	}
	return net
}

// pieceMass is what a piece weighs by what went into the run; before it is turned out, by its design.
func (s *Set) pieceMass(run *Run) events.Mass {
	if run.PieceMass > 0 {
		return run.PieceMass
	}
	def := s.Defs.Designs.Numbered(run.Design, run.DesignVersion)
	if def == nil {
		return 0
	}
	total := def.Body.Shell + def.Body.Cap
	for _, f := range def.Body.Fillings {
		total += f.Quantity
	}
	for _, d := range def.Body.Decorations {
		total += d.Quantity
	}
	return total
}

// tenths writes grams to a tenth, never more than there is.
func tenths(m events.Mass) string { return (m - m%100).Grams() }

// andThen lists words as a sentence does.
func andThen(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}
