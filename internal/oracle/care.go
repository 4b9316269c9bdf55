package oracle

import (
	"fmt"
	"slices"
)

func numbered(name string, line, n int) string { return fmt.Sprintf("%s %02d.%02d", name, line, n) }

func (m *Model) placeHold(code string, codes []string, deviation int) {
	m.Holds = append(m.Holds, &hold{code: code, codes: slices.Clone(codes), at: m.at, deviation: deviation})
}

// hold takes a thing out of use, with all that was made of it if that is asked for.
func (m *Model) hold() {
	c := m.c
	m.happened()
	if m.Things[c.Code] == nil {
		m.refuse("unknown-code")
		return
	}
	m.existed(c.Code, m.at)
	if m.refusal() != "" {
		return
	}
	codes := m.withParts(c.Code)
	if c.Flag {
		codes = m.downstream(c.Code)
	}
	m.placeHold(c.Code, codes, 0)
	m.said.Say("held", "%v", SortedCodes(codes))
}

// SortedCodes gives codes in their order, each once: what a hold takes in has no other.
func SortedCodes(codes []string) []string {
	codes = slices.Clone(codes)
	slices.SortFunc(codes, compareCodes)
	return slices.Compact(codes)
}

func (m *Model) lift() {
	h := m.Holds[m.c.Nth-1]
	m.happened()
	if m.at.Before(h.at) {
		m.refuse("before-it-existed")
	}
	if h.lifted {
		m.refuse("wrong-state")
	}
	if m.refusal() == "" {
		h.lifted = true
	}
}

// check writes a finding down. A failed one opens a deviation; that of metal concerns safety.
func (m *Model) check() {
	c := m.c
	m.happened()
	if m.Things[c.Code] == nil {
		m.refuse("unknown-code")
		return
	}
	m.existed(c.Code, m.at)
	if m.refusal() != "" || !c.Flag {
		return
	}
	concern := "quality"
	if c.Word == "metal" {
		concern = "safety"
	}
	m.deviate(c.Code, concern, c.Word)
}

// decide settles a deviation. To accept lifts the hold that came with it; what is to be discarded is held until that
// is done.
func (m *Model) decide() {
	c := m.c
	d := m.Deviations[c.Nth-1]
	m.happened()
	if m.at.Before(d.at) {
		m.refuse("before-it-existed")
	}
	if d.decision != "" {
		m.refuse("wrong-state")
	}
	if m.refusal() != "" {
		return
	}
	d.decision = c.Word
	born := false
	for _, h := range m.Holds {
		if h.deviation == c.Nth && !h.lifted {
			born = true
			h.lifted = c.Word == "accept"
		}
	}
	if c.Word == "discard" && !born && d.code != "" {
		m.placeHold(d.code, m.withParts(d.code), c.Nth)
	}
}
