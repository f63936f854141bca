package answer

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"turnstone/care"
)

// Kinds that only ReadKind asks for: a side or a change without any choices
// that a number could pick.
const (
	kindSide   care.Kind = "side"
	kindBetter care.Kind = "better"
)

// choiceData is the [choice] table of a language.
type choiceData struct {
	Stop    []string   `toml:"stop"`    // words that carry no meaning in an option
	Endings []string   `toml:"endings"` // endings that are cut off
	Same    [][]string `toml:"same"`    // groups of phrases that mean the same
	Kinds   []kindData `toml:"kinds"`   // wider words, and what they hold
}

// kindData is one kind of things: its names, and phrases for what it holds.
type kindData struct {
	Names []string `toml:"names"`
	Holds []string `toml:"holds"`
}

// choiceWords is choiceData made ready.
type choiceWords struct {
	stop    map[string]bool
	endings []string
	groups  *book // over stems; a value lists groups, "kind 3<" for a member
	words   []string
}

// choice checks the [choice] table and makes it ready.
func (ld *loader) choice(d *choiceData) *choiceWords {
	c := &choiceWords{stop: map[string]bool{}, groups: &book{}}
	for _, row := range d.Stop {
		for w := range strings.FieldsSeq(row) {
			c.stop[fold(w)] = true
		}
	}
	for _, e := range d.Endings {
		c.endings = append(c.endings, fold(e))
	}
	slices.SortStableFunc(c.endings, func(a, b string) int { return len(b) - len(a) })
	in := map[string][]string{}
	var order []string
	note := func(p, group string) {
		if in[p] == nil {
			order = append(order, p)
		}
		in[p] = append(in[p], group)
	}
	for i, group := range d.Same {
		for _, p := range group {
			note(p, fmt.Sprintf("same %d", i))
		}
	}
	for i, kind := range d.Kinds {
		for _, p := range kind.Names {
			note(p, fmt.Sprintf("kind %d", i))
		}
		for _, p := range kind.Holds {
			note(p, fmt.Sprintf("kind %d<", i))
		}
	}
	for _, p := range order {
		if err := c.groups.add("group", strings.Join(in[p], ","), p, nil); err != nil {
			ld.fault("%v", []string{`"` + p + `"`}, err)
		}
	}
	c.words = c.groups.words()
	c.groups.mapWords(c.stem)
	return c
}

// stem cuts the ending of a word, where three letters or more remain.
func (c *choiceWords) stem(w string) string {
	for _, e := range c.endings {
		if s, ok := strings.CutSuffix(w, e); ok && len(s) >= 3 {
			return squeeze(s, 1)
		}
	}
	return squeeze(w, 1)
}

// A span is what an option allows: from lo to hi, in minutes where timed.
type span struct {
	lo, hi float64
	timed  bool
	plain  float64 // the last number without its unit
}

// spanOf reads a range such as "30-39", "under 18", "65+", "2-4 hours", or the
// value of a reply.
func (l *language) spanOf(ts []token) (span, bool) {
	s := span{hi: math.Inf(1)}
	var vals []float64
	factor := 1.0
	cs := l.books["span"].scan(ts)
	counted := make([]bool, len(ts))
	for _, m := range cs {
		for k := m.from; k < m.to && m.label == "times"; k++ {
			counted[k] = true
		}
	}
	ms := looseHours(l.found("since", ts), ts)
	for i := len(ms) - 1; i >= 0; i-- { // from the end, so that a unit is known before its numbers
		m := ms[i]
		switch {
		case m.label == "unit":
			s.timed, factor = true, unitMinutes[m.value]
		case m.label == "amount" && decimal(m.value) > 1, m.label == "amount" && i+1 < len(ms) && ms[i+1].label == "unit" && ms[i+1].from == m.to:
			vals = append(vals, decimal(m.value)*factor)
		default:
			for k := m.from; k < m.to; k++ {
				if ts[k].isNum && !counted[k] {
					vals = append(vals, ts[k].num*factor)
					s.plain = ts[k].num
				}
			}
		}
	}
	for _, m := range cs {
		if m.label == "times" && len(vals) == 0 {
			vals = append(vals, decimal(m.value))
		}
	}
	sign := func(chars string) bool {
		return slices.ContainsFunc(ts, func(t token) bool { return t.sign && strings.Contains(chars, t.word) })
	}
	switch {
	case len(vals) == 2 && vals[1] <= vals[0]:
		s.lo, s.hi = vals[1], vals[0]
	case len(vals) != 1:
		return s, false
	case sign("+>") || have(cs, "over"):
		s.lo = vals[0]
	case sign("<") || have(cs, "under"):
		s.hi = vals[0]
	default:
		s.lo, s.hi = vals[0], vals[0]
	}
	return s, true
}

// byRange finds the option whose range holds the value that was said, the
// narrowest where several do.
func (c *choice) byRange() (string, bool) {
	said, ok := c.l.spanOf(c.ts)
	best, n, tied, width := -1, 0, false, 0.0
	for i, o := range c.q.Options {
		s, is := c.l.spanOf(c.l.numbers.merge(split(o.Label)))
		if !is {
			continue
		}
		n++
		at := said
		if said.timed && !s.timed {
			at.lo, at.hi = said.plain, said.plain // "15 years old"
		}
		if at.lo < s.lo-1e-6 || at.hi > s.hi+1e-6 {
			continue
		}
		w := s.hi - s.lo
		if s.lo != s.hi && (s.lo == 0 && at.hi >= s.hi-1e-6 || math.IsInf(s.hi, 1) && at.lo <= s.lo+1e-6) {
			w = math.MaxFloat64 // at the edge of an open range: only where no other holds it
		}
		switch {
		case best < 0 || w < width:
			best, width, tied = i, w, false
		case w == width:
			tied = true
		}
	}
	if !ok || n < 2 || best < 0 || tied {
		return "", false
	}
	return c.q.Options[best].Value, true
}

// byAgo reads a moment where at least two options are moments: "today", "this
// week", "longer ago".
func (c *choice) byAgo() (string, bool) {
	from := make([]float64, len(c.opts))
	n := 0
	for i, o := range c.q.Options {
		from[i] = -1
		if ms := c.l.books["ago"].scan(split(o.Label)); len(ms) > 0 {
			from[i] = decimal(ms[0].value)
			n++
		}
	}
	if n < 2 {
		return "", false
	}
	days := 0.0
	if m, got := c.l.moment(c.l.prepare("since", c.raw), c.q.At); got == read {
		days = m.daysBack()
	} else if ms := c.l.books["ago"].scan(c.ts); len(ms) > 0 {
		days = decimal(ms[0].value) // "weeks ago"
	} else {
		return "", false
	}
	best := -1
	for i, f := range from {
		if f >= 0 && f <= days && (best < 0 || f > from[best]) {
			best = i
		}
	}
	if best < 0 {
		return "", false
	}
	return c.q.Options[best].Value, true
}
