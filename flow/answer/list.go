package answer

import (
	"slices"
	"strings"

	"turnstone/care"
)

// byPlace reads a reply that names an option by number, letter or order. The
// label itself comes before its number.
func (c *choice) byPlace() (string, bool) {
	if c.q.Kind == kindSide || c.q.Kind == kindBetter {
		return "", false
	}
	for _, o := range c.q.Options {
		if sameWords(c.ts, c.l.numbers.merge(split(o.Label))) {
			return o.Value, true
		}
	}
	places, ok := c.places()
	if !ok || len(places) != 1 || have(c.ms, "none", "all", "both", "unsure", "other") {
		return "", false // "los dos" names no place
	}
	o := c.q.Options[places[0]]
	if o.Value == care.Unsure && c.initial() {
		return "", false // "D" for derecho is not the fourth, not sure
	}
	return o.Value, true
}

// initial reports whether the reply is one letter that a label begins with.
func (c *choice) initial() bool {
	return len(c.ts) == 1 && len(c.ts[0].word) == 1 && slices.ContainsFunc(c.q.Options, func(o Option) bool {
		label := split(o.Label)
		return o.Value != care.Unsure && len(label) > 0 && strings.HasPrefix(label[0].word, c.ts[0].word)
	})
}

func sameWords(a, b []token) bool {
	plain := func(ts []token) string {
		var s strings.Builder
		for _, t := range ts {
			if !t.sign || strings.Contains("-+<>", t.word) {
				s.WriteString(t.word + " ")
			}
		}
		return s.String()
	}
	return plain(a) == plain(b)
}

// places reads a reply that consists of numbers, letters and order words only.
// ok is false where it says anything else, or a place that is not there.
func (c *choice) places() (out []int, ok bool) {
	taken := make([]bool, len(c.ts)+1)
	for _, m := range c.l.books["place"].scan(c.ts) {
		for i := m.from; i < m.to; i++ {
			taken[i] = !c.ts[i].isNum
		}
	}
	n := len(c.q.Options)
	span := false
	for i, t := range c.ts {
		p, is := c.place(i)
		switch {
		case taken[i]:
		case t.sign:
			span = t.word == "-" && len(out) > 0
			continue
		case is && p >= 0 && p < n:
			for k := p; span && k > out[len(out)-1]+1; k-- {
				out = append(out, k-1)
			}
			out = append(out, p)
		case t.soft && len(out) > 0 || c.l.suffixes[t.word] && t.glued:
		default:
			return nil, false
		}
		span = false
	}
	return out, len(out) > 0
}

// place reads one token as a place in the list, counted from 0.
func (c *choice) place(i int) (int, bool) {
	t := c.ts[i]
	if k, ok := c.l.ordinals[t.word]; ok {
		if k < 0 {
			return len(c.q.Options) + k, true
		}
		return k - 1, true
	}
	switch {
	case t.soft && i+1 == len(c.ts) && i > 0 && c.l.ordinals[c.ts[i-1].word] != 0:
		return 0, false // "the second one"
	case t.isNum && t.num == float64(int(t.num)):
		return int(t.num) - 1, true
	case len(t.word) == 1 && t.word >= "a" && t.word <= "z":
		return int(t.word[0] - 'a'), true
	}
	return 0, false
}

// someOf reads any number of values: numbers, letters, words of options, none,
// all. A bare yes to a list is unsure, a bare no is none.
func (l *language) someOf(q Question, raw []token) ([]string, verdict) {
	c := l.newChoice(q, splitLists(raw, len(q.Options)))
	if places, ok := c.places(); ok {
		return c.values(func(i int) bool { return slices.Contains(places, i) }), read
	}
	scores, denied := c.scores()
	vals := c.values(func(i int) bool { return scores[i] > 1-1e-9 && c.opts[i].role == "" })
	if len(vals) > 0 {
		return vals, read
	}
	switch {
	case have(c.ms, "all"):
		return c.values(func(i int) bool { return c.opts[i].role == "" }), read
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
