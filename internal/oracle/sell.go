package oracle

import (
	"cmp"
	"slices"
)

// taken is what a line of a sale took of a line of stock.
type taken struct {
	line   int
	key    key
	pieces int64
	how    string
}

// selling is a sale or tasters being worked out.
type selling struct {
	m     *Model
	place string
	took  []taken
	short []taken
	used  map[key]int64
	broke map[string][]string // the codes with which each rule was broken
}

// sell takes pieces for a sale or as tasters.
func (m *Model) sell() {
	c := m.c
	place := m.place(c.Place)
	if place != nil && !place.Sells && c.Kind == Sell {
		m.refuse("wrong-kind-of-thing")
	}
	m.happened()
	s := &selling{m: m, place: c.Place, used: map[key]int64{}, broke: map[string][]string{}}
	for i, l := range c.Lines {
		switch {
		case l.Code != "":
			s.byCode(i, l)
		case designOf(l.Design) == nil:
			m.refuse("unknown-code")
		case place != nil:
			s.byDesign(i, l)
		}
	}
	if m.refusal() != "" {
		return
	}
	for _, t := range s.short {
		m.bookFound(m.at, t.key, t.pieces)
		s.took = append(s.took, t)
	}
	cause := map[string]string{Sell: "sold", Give: "given"}[c.Kind]
	slices.SortStableFunc(s.took, func(a, b taken) int { return cmp.Compare(a.line, b.line) })
	for _, t := range s.took {
		pieces := t.pieces
		m.shift(m.at, t.key, -pieces, cause)
		m.moves[len(m.moves)-1].day = DayOf(m.at, m.zone(placeOf(c.Place).Site))
		m.said.Say(numbered("line", t.line, len(m.said)), "%s %d %s", t.key.code, t.pieces, t.how)
	}
	for _, rule := range m.no {
		m.brokeRulesOf([]string{rule}, s.broke[rule], false)
	}
}

// standing is what the lines before left of a line of stock. Pieces that passed the gate only since then stood
// somewhere, not released.
func (s *selling) standing(k key) int64 {
	if s.releasedSince(k) {
		return max(0, s.m.onHand(k)) - s.used[k]
	}
	return s.m.available(k, s.m.at) - s.used[k]
}

func (s *selling) take(i int, k key, pieces int64, how string) {
	s.used[k] += pieces
	s.took = append(s.took, taken{line: i, key: k, pieces: pieces, how: how})
}

func (s *selling) refuse(slug, code string) {
	s.broke[slug] = append(s.broke[slug], code)
	s.m.refuse(slug)
}

// of lists the lines of a design at the place, first expiring first.
func (m *Model) of(name, place string) (keys []key) {
	for _, code := range m.Order {
		if m.Things[code].Name == name && code[0] != 'C' {
			for _, k := range m.lines(code) {
				if place == "" || k.place == place {
					keys = append(keys, k)
				}
			}
		}
	}
	m.firstExpiring(keys)
	return keys
}

func (m *Model) firstExpiring(keys []key) {
	slices.SortStableFunc(keys, func(a, b key) int {
		if m.fault == OrderByCode {
			return compareCodes(a.code, b.code)
		}
		return cmp.Or(m.Things[a.code].Recorded.endsBy.Compare(m.Things[b.code].Recorded.endsBy), compareCodes(a.code, b.code))
	})
}

// bar is what keeps a line from being sold: the last of these.
func (s *selling) bar(k key) string {
	switch {
	case !k.released || s.releasedSince(k):
		return "not-released"
	case s.m.past(k.code, s.m.at):
		return "past-date"
	case s.held(k.code):
		return "on-hold"
	}
	return ""
}

// held says whether a hold bars pieces: any that stands; of what is done already, one that stood then.
func (s *selling) held(code string) bool {
	return slices.ContainsFunc(s.m.Holds, func(h *hold) bool {
		return !h.lifted && slices.Contains(h.codes, code) && !(s.m.c.Done && h.at.After(s.m.at))
	})
}

// releasedSince says whether pieces that stand released now had not passed the gate then.
func (s *selling) releasedSince(k key) bool {
	m := s.m
	return k.released && !m.at.Before(m.Things[k.code].At) && !m.releasedBy(k.code, m.at)
}

func (s *selling) byDesign(i int, l Line) {
	m := s.m
	all := m.of(l.Design, s.place)
	wanted := int64(l.Pieces)
	pick := func(bar string, note func(k key)) {
		for _, k := range all {
			if take := min(wanted, s.standing(k)); take > 0 && s.bar(k) == bar {
				wanted -= take
				s.take(i, k, take, s.how(k, all))
				note(k)
			}
		}
	}
	pick("", func(key) {})
	if m.fault == OversellByOne && wanted == 1 && l.Pieces > 1 {
		wanted = 0
	}
	if wanted == 0 {
		return
	}
	covered, why := int64(0), "not-enough"
	for _, slug := range []string{"on-hold", "past-date", "not-released"} {
		for _, k := range all {
			if s.bar(k) == slug {
				covered += s.standing(k)
			}
		}
		if covered >= wanted {
			why = slug
			break
		}
	}
	m.refuse(why)
	if !m.c.Done {
		return
	}
	for _, slug := range []string{"on-hold", "past-date", "not-released"} {
		pick(slug, func(k key) { s.refuse(slug, k.code) })
	}
	if wanted == 0 {
		return
	}
	for _, k := range all {
		if (m.onHand(k) > 0 || m.counted(k, m.at)) && !m.at.Before(m.Things[k.code].At) {
			s.broke["not-enough"] = append(s.broke["not-enough"], k.code)
			s.short = append(s.short, taken{line: i, key: k, pieces: wanted, how: "presumed"})
			return
		}
	}
	m.refuse("unknown-code")
}

// how is certain only where no other run of the design stands at the place.
func (s *selling) how(k key, all []key) string {
	for _, other := range all {
		if other.code != k.code && s.m.available(other, s.m.at) > 0 {
			return "presumed"
		}
	}
	return "single_run_on_place"
}

func (s *selling) byCode(i int, l Line) {
	m := s.m
	if l.Code[0] != 'R' {
		m.refuse("wrong-kind-of-thing")
		return
	}
	if m.Things[l.Code] == nil {
		m.refuse("unknown-code")
		return
	}
	m.existed(l.Code, m.at)
	k, waiting := key{l.Code, s.place, true}, key{l.Code, s.place, false}
	has := s.standing(k)
	if s.releasedSince(k) {
		has = 0
		if s.standing(waiting) == 0 {
			waiting = k
		}
	}
	if s.held(l.Code) {
		s.refuse("on-hold", l.Code)
	}
	if m.past(l.Code, m.at) {
		s.refuse("past-date", l.Code)
	}
	wanted := int64(l.Pieces)
	if take := min(has, wanted); take > 0 {
		defer s.take(i, k, take, "scanned")
	}
	missing := wanted - has
	if missing <= 0 {
		return
	}
	if waits := s.standing(waiting); waits > 0 && (m.c.Done || waits >= missing) {
		s.refuse("not-released", l.Code)
		take := min(missing, waits)
		missing -= take
		s.take(i, waiting, take, "scanned")
	}
	if missing > 0 {
		s.refuse("not-enough", l.Code)
		found := key{l.Code, s.place, m.releasedBy(l.Code, m.at)}
		s.short = append(s.short, taken{line: i, key: found, pieces: missing, how: "scanned"})
		if m.c.Done && !found.released {
			s.refuse("not-released", l.Code)
		}
	}
}
