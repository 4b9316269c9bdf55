package check

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"
)

type object = map[string]any

// Wrong lists what is wrong in a document though the schema lets it pass, in words.
func Wrong(document []byte) ([]string, error) {
	var d object
	if err := json.Unmarshal(document, &d); err != nil {
		return nil, fmt.Errorf("read a document: %w", err)
	}
	var wrong []string
	wrong = append(wrong, undeclared(d, prefixes(d["@context"]))...)
	body, _ := d["epcisBody"].(object)
	seen := map[string]bool{}
	for _, e := range objects(body["eventList"]) {
		wrong = append(wrong, wrongEvent(e)...)
		id, _ := e["eventID"].(string)
		if id != "" && seen[id] && e["errorDeclaration"] == nil {
			wrong = append(wrong, "event "+id+" stands there twice")
		}
		seen[id] = true
	}
	return wrong, nil
}

func wrongEvent(e object) []string {
	var wrong []string
	id := fmt.Sprint(e["eventID"])
	for _, list := range []string{"quantityList", "inputQuantityList", "outputQuantityList", "childQuantityList"} {
		for _, q := range objects(e[list]) {
			wrong = append(wrong, wrongQuantity(id, q)...)
		}
	}
	if declared, is := e["errorDeclaration"].(object); is && declared["reason"] == "did_not_occur" && declared["correctiveEventIDs"] != nil {
		wrong = append(wrong, id+": did not occur, and yet something corrects it")
	}
	if at, err := time.Parse(time.RFC3339Nano, fmt.Sprint(e["eventTime"])); err != nil || at.Format("-07:00") != e["eventTimeZoneOffset"] {
		wrong = append(wrong, id+": its time and its offset disagree")
	}
	if e["type"] == "AggregationEvent" && e["action"] != "OBSERVE" && e["parentID"] == nil {
		wrong = append(wrong, id+": packed into nothing")
	}
	if e["ilmd"] != nil && e["type"] == "ObjectEvent" && e["action"] != "ADD" {
		wrong = append(wrong, id+": master data of something that did not come to be")
	}
	return append(wrong, unbalanced(id, e)...)
}

// units are those of UN/CEFACT Recommendation 20 that a workshop has, masses with what they are in grams.
var units = map[string]float64{"KGM": 1000, "GRM": 1, "MGM": 0.001, "LTR": 0, "MLT": 0, "CEL": 0, "HUR": 0, "MIN": 0, "DAY": 0}

var inClass = regexp.MustCompile(`/01/(\d{14})(/|$)`)

func wrongQuantity(id string, q object) []string {
	var wrong []string
	if n, is := q["quantity"].(float64); is && n < 0 {
		wrong = append(wrong, fmt.Sprintf("%s: a quantity of %v", id, n))
	}
	if unit, is := q["uom"].(string); is {
		if _, known := units[unit]; !known {
			wrong = append(wrong, id+": nothing is measured in "+unit)
		}
	}
	if gtin := inClass.FindStringSubmatch(fmt.Sprint(q["epcClass"])); gtin != nil && !checks(gtin[1]) {
		wrong = append(wrong, id+": "+gtin[1]+" does not check")
	}
	return wrong
}

// checks works out a check digit from the left, where the product's own code does it from the right: the digits of a
// number of 14 weigh 3, 1, 3, 1 and so on, the check digit 1 (GS1 General Specifications, section 7.9.1).
func checks(gtin string) bool {
	sum := 0
	for i, c := range gtin {
		sum += int(c-'0') * (3 - 2*(i%2))
	}
	return sum%10 == 0
}

// unbalanced says where more mass comes out of a transformation than went in. Of one that is told in several events a
// single one says nothing.
func unbalanced(id string, e object) []string {
	if e["type"] != "TransformationEvent" || e["inputQuantityList"] == nil || e["outputQuantityList"] == nil {
		return nil
	}
	in, weighedIn := mass(e["inputQuantityList"])
	out, weighedOut := mass(e["outputQuantityList"])
	if weighedIn && weighedOut && out > in+1e-6 {
		return []string{fmt.Sprintf("%s: %v g came out of %v g", id, out, in)}
	}
	return nil
}

func mass(list any) (grams float64, weighed bool) {
	for _, q := range objects(list) {
		n, _ := q["quantity"].(float64)
		unit, _ := q["uom"].(string)
		if units[unit] == 0 {
			return 0, false
		}
		grams += n * units[unit]
	}
	return math.Round(grams*1e6) / 1e6, true
}

// ofTheStandard are the prefixes that the standard's own context declares.
var ofTheStandard = []string{"epcis", "cbv", "cbvmda", "gs1", "rdfs", "owl", "xsd", "dcterms"}

func prefixes(context any) []string {
	declared := slices.Clone(ofTheStandard)
	list, _ := context.([]any)
	for _, c := range list {
		if own, is := c.(object); is {
			for prefix := range own {
				declared = append(declared, prefix)
			}
		}
	}
	return declared
}

// undeclared finds members whose prefix means nothing.
func undeclared(value any, declared []string) []string {
	var wrong []string
	switch v := value.(type) {
	case object:
		for name, member := range v {
			if prefix, _, prefixed := strings.Cut(name, ":"); prefixed && !slices.Contains(declared, prefix) && prefix != "https" && prefix != "http" && prefix != "urn" {
				wrong = append(wrong, "what is "+name+"?")
			}
			wrong = append(wrong, undeclared(member, declared)...)
		}
	case []any:
		for _, member := range v {
			wrong = append(wrong, undeclared(member, declared)...)
		}
	}
	return wrong
}

func objects(list any) []object {
	var found []object
	members, _ := list.([]any)
	for _, m := range members {
		if o, is := m.(object); is {
			found = append(found, o)
		}
	}
	return found
}
