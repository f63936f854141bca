package answer

import (
	"slices"
	"strings"

	"turnstone/care"
)

// A choice reads a reply against the options that stand there.
type choice struct {
	l     *language
	q     Question
	raw   []token
	ts    []token
	ms    []mark
	opts  []optionKeys
	count map[string]int // in how many options a key stands
}

// optionKeys is what an option speaks of.
type optionKeys struct {
	role  string          // none, both, all, unsure, other, or empty
	keys  map[string]bool // a key behind a negation begins with "!"
	words []string        // its plain words
}

// A hit is a key found in a text: the stem of a word, a group of words that
// mean the same, a kind that the word is of, or a unit, weekday or month.
type hit struct {
	key    string
	at     int
	weight float64
}

func (l *language) newChoice(q Question, raw []token) *choice {
	c := &choice{l: l, q: q, raw: raw, count: map[string]int{}}
	own := map[string]bool{}
	var vocab []string
	for _, o := range q.Options {
		k := l.optionKeys(o)
		c.opts = append(c.opts, k)
		for key := range k.keys {
			c.count[key]++
		}
		for _, w := range k.words {
			if !own[w] {
				own[w] = true
				vocab = append(vocab, w)
			}
		}
	}
	vocab = append(vocab, l.choice.words...)
	vocab = append(vocab, l.books["choice"].vocab...)
	c.see(correct(raw, func(w string) bool { return l.known[w] || own[w] }, vocab))
	return c
}

// see takes the tokens of the reply, once its spelling is settled.
func (c *choice) see(ts []token) {
	c.ts = c.l.numbers.merge(ts)
	c.ms, _ = settle(c.l.found("choice", c.ts), c.ts, func(m mark) bool { return !m.with("ask", "fix", "undo", "then", "now", "turn") })
}

// optionKeys reads an option's label and words.
func (l *language) optionKeys(o Option) optionKeys {
	k := optionKeys{keys: map[string]bool{}}
	for _, text := range append([]string{o.Label}, o.Words...) {
		ts := l.numbers.merge(split(text))
		if ms := l.books["choice"].scan(ts); len(ms) == 1 && ms[0].with("none", "both", "all", "unsure", "other") && ms[0].to-ms[0].from >= len(ts)-1 {
			k.role = ms[0].label
		}
		off, _ := l.negated(ts)
		for _, h := range l.hits(ts, true) {
			if off[h.at] {
				h.key = "!" + h.key
			}
			k.keys[h.key] = true
		}
		for _, t := range ts {
			if !t.sign && !t.digit {
				k.words = append(k.words, t.word)
			}
		}
	}
	if o.Value == care.None || o.Value == care.Unsure {
		k.role = o.Value
	}
	return k
}

// hits returns the keys of a text. In an option only the head of a kind counts:
// "mother" is family, but the option "mother" does not stand for family.
func (l *language) hits(ts []token, option bool) []hit {
	var out []hit
	stems := make([]token, len(ts))
	for i, t := range ts {
		stems[i] = token{word: l.choice.stem(t.word), raw: t.raw, sign: t.sign}
		if t.alt != "" {
			stems[i].alt = l.choice.stem(t.alt)
		}
		if t.sign || t.digit {
			continue
		}
		for _, w := range []string{t.word, t.alt} {
			if w != "" && !l.choice.stop[w] {
				out = append(out, hit{l.choice.stem(w), i, 1})
			}
		}
	}
	for i := range stems {
		l.choice.groups.each(stems, i, func(p *phrase, _ int) {
			for g := range strings.SplitSeq(p.value, ",") {
				kind, member := strings.HasPrefix(g, "kind"), strings.HasSuffix(g, "<")
				switch {
				case !kind:
					out = append(out, hit{g, i, 0.9})
				case !option || !member:
					out = append(out, hit{strings.TrimSuffix(g, "<"), i, 0.6})
				}
			}
		})
	}
	for _, m := range l.books["since"].scan(ts) {
		if m.with("unit", "weekday", "month") && len(ts[m.from].word) > 1 {
			out = append(out, hit{m.label + " " + m.value, m.from, 1})
		}
	}
	return out
}

// oneOf reads one value.
func (l *language) oneOf(q Question, raw []token) (string, verdict) {
	has := func(v string) bool {
		return slices.ContainsFunc(q.Options, func(o Option) bool { return o.Value == v })
	}
	c := l.newChoice(q, raw)
	if v, ok := c.byPlace(); ok {
		return v, read
	}
	if q.Kind == care.NextOf && has(care.Next) && have(l.books["next"].scan(c.ts), "next") {
		return care.Next, read
	}
	var v string
	var got verdict
	switch {
	case q.Kind == kindSide || has("left") && has("right"):
		v, got = l.side(l.prepare("side", raw))
	case q.Kind == kindBetter || has("better") && has("worse"):
		v, got = l.better(l.prepare("better", raw))
	default:
		return c.byMeaning()
	}
	if got == read && has(v) {
		return v, read
	}
	if v, ok := c.byRole(); ok {
		return v, read
	}
	return "", min(got, rejected)
}

// byMeaning reads a reply by what it says, and once more with looser spelling
// where that gives nothing.
func (c *choice) byMeaning() (string, verdict) {
	if v, ok := c.byYesNo(); ok {
		return v, read
	}
	v, got := c.byWords()
	if got != nothing {
		return v, got
	}
	var vocab []string
	for _, k := range c.opts {
		vocab = append(vocab, k.words...)
	}
	c.see(correct(c.raw, func(w string) bool { return slices.Contains(vocab, w) }, vocab))
	return c.byWords()
}

// byWords reads a value within a range, words of one option and of no other,
// or a role such as "none of them".
func (c *choice) byWords() (string, verdict) {
	if len(c.ms) == 1 && c.ms[0].to-c.ms[0].from == len(c.ts) {
		if v, ok := c.byRole(); ok {
			return v, read
		}
	}
	if v, ok := c.byAgo(); ok {
		return v, read
	}
	if v, ok := c.byRange(); ok {
		return v, read
	}
	scores, denied := c.scores()
	named := false // an option that names a thing; "none" then speaks of the rest
	for i, s := range scores {
		named = named || s > 0 && c.opts[i].role == ""
	}
	best, tied := -1, 0
	for i, s := range scores {
		switch {
		case s == 0 || named && c.opts[i].role != "":
		case best < 0 || s > scores[best]+1e-9:
			best, tied = i, 0
		case s > scores[best]-1e-9:
			tied++
		}
	}
	switch both := c.role("both"); {
	case best >= 0 && tied == 0:
		return c.q.Options[best].Value, read
	case best >= 0 && tied == 1 && both >= 0:
		return c.q.Options[both].Value, read
	case best >= 0:
		return "", rejected
	}
	if v, ok := c.byRole(); ok {
		return v, read
	}
	if v, ok := c.leftOver(denied); ok {
		return v, read
	}
	if have(c.ms, "none", "all", "both", "unsure", "ask") {
		return "", rejected
	}
	return "", nothing
}

func (c *choice) role(name string) int {
	return slices.IndexFunc(c.opts, func(k optionKeys) bool { return k.role == name })
}

// scores weighs each option by the words that the reply shares with it, a word
// less the more options it fits. Words behind a negation speak for options that
// deny the same, and against those that affirm it.
func (c *choice) scores() (scores []float64, denied []bool) {
	off, asked := c.l.negated(c.ts)
	scores, denied = make([]float64, len(c.opts)), make([]bool, len(c.opts))
	hits := c.l.hits(c.ts, false)
	for i, k := range c.opts {
		best := make([]float64, len(c.ts))
		for _, h := range hits {
			key := h.key
			if asked[h.at] {
				continue
			}
			if off[h.at] {
				denied[i] = denied[i] || k.keys[key]
				key = "!" + key
			}
			if k.keys[key] {
				best[h.at] = max(best[h.at], h.weight/float64(c.count[key]))
			}
		}
		for _, v := range best {
			scores[i] = max(scores[i], v) + min(scores[i], v)/4 // the best word leads
		}
	}
	return scores, denied
}

// negated marks the tokens behind a negation, up to the end of the clause or a
// turn, and those that do not count: within a question, before a correction.
func (l *language) negated(ts []token) (off, void []bool) {
	off, void = make([]bool, len(ts)+1), make([]bool, len(ts)+1)
	all := l.found("choice", ts)
	part := parts(all, ts)
	for _, m := range all {
		for i := m.to; i < len(ts); i++ {
			off[i] = off[i] || m.with("not", "none") && part[i] == part[m.from]
			void[i] = void[i] || m.label == "ask"
		}
		for i := 0; i < m.from; i++ {
			void[i] = void[i] || m.with("fix", "undo") && m.to < len(ts)
		}
	}
	for i, t := range ts {
		for j := i - 1; t.word == "?" && j >= 0 && !ts[j].ends(); j-- {
			void[j] = true
		}
	}
	return off, void
}

// byRole reads "none of them", "both", "something else", "no idea" where an
// option stands for it.
func (c *choice) byRole() (string, bool) {
	for _, m := range c.ms {
		k := c.role(m.label)
		if m.label == "none" && k < 0 {
			k = c.role("other")
		}
		if k >= 0 {
			return c.q.Options[k].Value, true
		}
	}
	return "", false
}

// leftOver answers "none" where every other option was denied.
func (c *choice) leftOver(denied []bool) (string, bool) {
	for i, k := range c.opts {
		if k.role == "" && !denied[i] {
			return "", false
		}
	}
	if k := c.role("none"); k >= 0 {
		return c.q.Options[k].Value, true
	}
	return "", false
}

// byYesNo reads a yes, a no or a doubt where the options mean just that.
func (c *choice) byYesNo() (string, bool) {
	mean := map[string]int{}
	for i, o := range c.q.Options {
		ts := split(o.Label)
		ms := c.l.books["yesno"].scan(ts)
		if len(ms) == 1 && ms[0].with("yes", "no", "unsure") && ms[0].to-ms[0].from == len(ts) {
			mean[ms[0].label] = i
		}
	}
	_, yes := mean[care.Yes]
	if _, no := mean[care.No]; !yes || !no {
		return "", false
	}
	v, got := c.l.yesNo(c.l.prepare("yesno", c.raw))
	k, ok := mean[v]
	if !ok && v == care.Unsure {
		k = c.role("unsure")
		ok = k >= 0
	}
	if got != read || !ok {
		return "", false
	}
	return c.q.Options[k].Value, true
}
