package answer

import (
	"math"
	"slices"
	"strconv"
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
	Endings []string   `toml:"endings"` // endings that are cut off, longest first
	Same    [][]string `toml:"same"`    // groups of phrases that mean the same
}

type choiceWords struct {
	stop    map[string]bool
	endings []string
	groups  *book
	words   []string
	vocab   map[string]bool
}

// choice checks the [choice] table and makes it ready.
func (ld *loader) choice(d *choiceData) *choiceWords {
	c := &choiceWords{stop: map[string]bool{}, groups: &book{}, vocab: map[string]bool{}}
	for _, row := range d.Stop {
		for w := range strings.FieldsSeq(row) {
			c.stop[fold(w)] = true
		}
	}
	for _, e := range d.Endings {
		c.endings = append(c.endings, fold(e))
	}
	slices.SortStableFunc(c.endings, func(a, b string) int { return len(b) - len(a) })
	var order []string
	in := map[string][]string{}
	for i, group := range d.Same {
		for _, p := range group {
			if in[p] == nil {
				order = append(order, p)
			}
			in[p] = append(in[p], strconv.Itoa(i))
		}
	}
	for _, p := range order {
		if err := c.groups.add("group", strings.Join(in[p], ","), p, nil); err != nil {
			ld.fault("%v", []string{`"` + p + `"`}, err)
		}
	}
	c.words = c.groups.words()
	for _, w := range c.words {
		c.vocab[w] = true
	}
	for w := range c.stop {
		c.vocab[w] = true
	}
	return c
}

// stem cuts the ending of a word, where four letters or more remain.
func (c *choiceWords) stem(w string) string {
	for _, e := range c.endings {
		if s, ok := strings.CutSuffix(w, e); ok && len(s) >= 3 {
			return squeeze(s, 1)
		}
	}
	return squeeze(w, 1)
}

// A span is what an option allows: from lo to hi, in a unit, "" for none.
type span struct {
	lo, hi float64
	unit   string
	plain  []float64 // the numbers without their unit
}

// spanOf reads an option such as "30-39", "under 18", "65+", "2-4 hours".
// Times are in minutes, with the unit "time".
func (l *language) spanOf(ts []token) (span, bool) {
	ms := looseHours(l.found("since", ts), ts)
	var vals []float64
	s := span{lo: 0, hi: math.Inf(1)}
	factor, timed := 1.0, false
	for i, m := range ms {
		for k := m.from; k < m.to && m.label == "pass"; k++ { // "15 years old"
			if ts[k].isNum {
				m = mark{label: "#", from: k, to: k + 1}
			}
		}
		if m.label == "unit" {
			timed, factor = true, unitMinutes[m.value]
			for k := range vals {
				if vals[k] < 0 {
					vals[k] = -vals[k] * factor
				}
			}
			if i > 0 && ms[i-1].label == "amount" && ms[i-1].to == m.from {
				vals = append(vals, decimal(ms[i-1].value)*factor)
			}
		}
		if m.label == "#" {
			vals = append(vals, -ts[m.from].num-1e-12)
			s.plain = append(s.plain, ts[m.from].num)
		}
	}
	for k := range vals {
		vals[k] = math.Abs(vals[k])
	}
	if timed {
		s.unit = "time"
	}
	cs := l.books["span"].scan(ts)
	plus := slices.ContainsFunc(ts, func(t token) bool { return t.sign && (t.word == "+" || t.word == ">") })
	less := slices.ContainsFunc(ts, func(t token) bool { return t.sign && t.word == "<" })
	switch {
	case len(vals) == 2 && vals[0] <= vals[1]:
		s.lo, s.hi = vals[0], vals[1]
	case len(vals) != 1:
		return s, false
	case plus || have(cs, "over"):
		s.lo = vals[0]
	case less || have(cs, "under"):
		s.hi = vals[0]
	default:
		s.lo, s.hi = vals[0], vals[0]
	}
	return s, true
}

// byRange finds the only option whose range holds the value that was said.
func (c *choice) byRange() (string, bool) {
	spans := make([]span, len(c.q.Options))
	isSpan := make([]bool, len(c.q.Options))
	n := 0
	for i, o := range c.q.Options {
		spans[i], isSpan[i] = c.l.spanOf(c.l.numbers.merge(split(o.Label)))
		if isSpan[i] {
			n++
		}
	}
	said, ok := c.l.spanOf(c.ts)
	if n < 2 || !ok {
		return "", false
	}
	best, width, tied := -1, math.Inf(1), false
	for i, s := range spans {
		if s.unit == "" && said.unit != "" && len(said.plain) == 1 {
			said = span{lo: said.plain[0], hi: said.plain[0]}
		}
		if !isSpan[i] || (s.unit != "" && said.unit != "" && s.unit != said.unit) || said.lo < s.lo-1e-6 || said.hi > s.hi+1e-6 {
			continue
		}
		edge := s.lo != s.hi && (s.lo == 0 && said.hi >= s.hi-1e-6 || math.IsInf(s.hi, 1) && said.lo <= s.lo+1e-6 && !strings.Contains(c.q.Options[i].Label, "+"))
		w := s.hi - s.lo
		switch {
		case edge && best >= 0: // "under 18" does not hold 18 where another does
		case best < 0 || w < width || c.open(best, spans, said):
			best, width, tied = i, w, false
		case w == width:
			tied = true
		}
	}
	if best < 0 || tied {
		return "", false
	}
	return c.q.Options[best].Value, true
}

// open reports whether the value stands at the edge of an open range, which
// yields to a range that holds it.
func (c *choice) open(i int, spans []span, said span) bool {
	return spans[i].lo == 0 && said.hi >= spans[i].hi
}

// someOf reads any number of values: numbers, letters, words of options, none,
// all. A bare yes to a list is unsure, a bare no is none.
func (l *language) someOf(q Question, raw []token) ([]string, verdict) {
	c := l.newChoice(q, splitLists(raw, len(q.Options)))
	if places, ok := c.places(); ok {
		return c.values(func(i int) bool { return slices.Contains(places, i) }), read
	}
	scores, denied := c.scores()
	vals := c.values(func(i int) bool { return scores[i] > 1-1e-9 && c.roles[i] == "" })
	if len(vals) > 0 {
		return vals, read
	}
	switch {
	case have(c.ms, "all"):
		return c.values(func(i int) bool { return c.roles[i] == "" }), read
	case have(c.ms, "unsure"):
		return []string{care.Unsure}, read
	case have(c.ms, "none"), slices.Contains(denied, true):
		return []string{care.None}, read
	}
	v, got := l.yesNo(l.prepare("yesno", raw))
	switch {
	case got != read:
		return nil, got
	case v == care.No:
		return []string{care.None}, read
	}
	return []string{care.Unsure}, read
}

// values lists the values of the options that hold, facts before none.
func (c *choice) values(holds func(int) bool) []string {
	var facts, rest []string
	for i, o := range c.q.Options {
		switch {
		case !holds(i):
		case o.Value == care.None || o.Value == care.Unsure:
			rest = append(rest, o.Value)
		default:
			facts = append(facts, o.Value)
		}
	}
	if len(facts) > 0 {
		return facts
	}
	return rest[:min(1, len(rest))]
}

// splitLists takes "2,4" apart, which split reads as a decimal, where both are
// places in the list.
func splitLists(raw []token, n int) []token {
	var out []token
	for _, t := range raw {
		a, b, ok := strings.Cut(strings.ReplaceAll(t.raw, ".", ","), ",")
		if !ok || !t.digit || decimal(a) < 1 || decimal(b) < 1 || decimal(a) > float64(n) || decimal(b) > float64(n) {
			out = append(out, t)
			continue
		}
		out = append(out, numberToken(a), token{word: ",", raw: ",", sign: true}, numberToken(b))
	}
	return out
}

// skips reports whether the whole reply asks to skip the question.
func (l *language) skips(raw []token) bool {
	c, ok := l.command(raw)
	return ok && c == care.CmdSkip
}

// Command reads a word that may be said at any moment. It must be nearly the
// whole message.
func (r *Reader) Command(text string, prefer care.Locale) (care.Command, bool) {
	raw := split(text)
	for _, l := range r.order(prefer, raw) {
		if c, ok := l.command(raw); ok {
			return c, true
		}
	}
	return "", false
}

// Language reads the name of a language, such as "English" or "en español",
// and returns its tag.
func (r *Reader) Language(text string) (care.Locale, bool) {
	raw := split(text)
	for _, l := range r.languages {
		ms := l.books["language"].scan(raw)
		if len(ms) > 0 && l.covered(raw, ms) {
			return care.Locale(ms[0].value), true
		}
	}
	return "", false
}

// command reads a command in one language.
func (l *language) command(raw []token) (care.Command, bool) {
	ts := correct(raw, l.knows, l.books["commands"].vocab)
	hits := l.books["commands"].scan(ts)
	if len(hits) == 0 {
		if ms := l.books["language"].scan(ts); len(ms) > 0 && l.covered(ts, ms) {
			return care.CmdLanguage, true
		}
		return "", false
	}
	if len(hits) > 1 && hits[0].label == string(care.CmdGreeting) {
		hits = hits[1:]
	}
	for _, h := range hits {
		if h.label != hits[0].label {
			return "", false
		}
	}
	return care.Command(hits[0].label), l.covered(ts, hits)
}

// covered reports whether marks and polite words make up all of a reply but
// one word, and that one only beside a longer command.
func (l *language) covered(ts []token, ms []mark) bool {
	taken := make([]bool, len(ts))
	said := 0
	for _, list := range [][]mark{l.books["polite"].scan(ts), ms} {
		for _, m := range list {
			for i := m.from; i < m.to; i++ {
				taken[i] = true
			}
		}
	}
	for _, m := range ms {
		said += m.to - m.from
	}
	over := 0
	for i, t := range ts {
		if !t.sign && !taken[i] {
			over++
		}
	}
	return over == 0 || (over == 1 && said >= 3)
}
