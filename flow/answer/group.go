package answer

import (
	"slices"

	"turnstone/care"
)

// groupOf reads a reply to a list of signs: numbers, a label, "none of them",
// "not sure". A denial with an exception ("none except my tablets") is not
// read unless the exception is something ordinary, and words that stand in a
// label and are called fine are no choice. A bare yes says not which: unsure.
func (l *language) groupOf(q Question, raw []token) ([]string, verdict) {
	c := l.newChoice(q, splitLists(raw, len(q.Options)))
	ts := l.prepare("group", raw)
	ms := l.books["group"].scan(ts)
	places, ok := c.places()
	if ok && !have(ms, "none") && !slices.ContainsFunc(places, func(p int) bool { return p < 0 }) {
		return c.values(func(i int) bool { return slices.Contains(places, i) }), read
	}
	if len(c.ts) == 1 && c.ts[0].isNum && c.ts[0].num == 0 {
		return []string{care.None}, read
	}
	none := slices.IndexFunc(ms, labelled("none", "no"))
	fine := have(ms, "fine") && !have(ms, "notfine")
	switch {
	case have(ms, "unsure") && !have(ms, "none"):
		return []string{care.Unsure}, read
	case none >= 0 || fine:
		if !l.plainExceptions(ts, ms) {
			return nil, rejected
		}
		return []string{care.None}, read
	}
	return c.picked(raw, l)
}

// picked are the options that the words of the reply name, where it says
// little else; or a plain yes or no.
func (c *choice) picked(raw []token, l *language) ([]string, verdict) {
	scores, denied := c.scores()
	vals := c.values(func(i int) bool { return scores[i] > 1-1e-9 && c.opts[i].role == "" && !denied[i] })
	if len(vals) > 0 {
		return vals, read
	}
	if slices.Contains(denied, true) {
		return []string{care.None}, read
	}
	switch v, got := l.yesNo(l.prepare("yesno", raw)); {
	case got != read:
		return nil, got
	case v == care.No:
		return []string{care.None}, read
	}
	return []string{care.Unsure}, read
}

// plainExceptions reports whether what follows a word of exception after the
// denial is ordinary: sore, my ankle, a little tired.
func (l *language) plainExceptions(ts []token, ms []mark) bool {
	last := -1 // where the last denial ends: one that comes after covers all
	for _, m := range ms {
		if m.with("none", "fine") {
			last = m.to
		}
	}
	after := false
	ordinary := make([]bool, len(ts))
	for _, m := range ms {
		if m.label == "plain" {
			for i := m.from; i < m.to; i++ {
				ordinary[i] = true
			}
		}
	}
	for i, t := range ts {
		if slices.ContainsFunc(ms, func(m mark) bool { return m.label == "except" && m.from == i }) && i >= last {
			after = true
			continue
		}
		if after && !t.sign && !ordinary[i] && !l.choice.stop[t.word] {
			return false
		}
	}
	return true
}
