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
	ts    []token
	ms    []mark
	roles []string          // per option: none, both, all, unsure, other, or empty
	keys  []map[string]bool // per option: what it speaks of
	count map[string]int    // in how many options a key stands
}

func (l *language) newChoice(q Question, raw []token) *choice {
	c := &choice{l: l, q: q, count: map[string]int{}}
	var vocab []string
	own := map[string]bool{}
	for _, o := range q.Options {
		role, keys := l.optionKeys(o)
		c.roles = append(c.roles, role)
		c.keys = append(c.keys, keys)
		for k := range keys {
			c.count[k]++
		}
		for _, text := range append([]string{o.Label}, o.Words...) {
			for _, t := range split(text) {
				if !t.sign && !t.digit && !own[t.word] {
					own[t.word] = true
					vocab = append(vocab, t.word)
				}
			}
		}
	}
	known := func(w string) bool { return l.known[w] || own[w] }
	vocab = append(vocab, l.choice.words...)
	vocab = append(vocab, l.books["choice"].vocab...)
	c.ts = l.numbers.merge(correct(raw, known, vocab))
	c.ms, _ = settle(l.found("choice", c.ts), c.ts, func(m mark) bool { return !m.with("ask", "fix", "undo", "then", "now", "turn") })
	return c
}

// optionKeys returns what an option stands for, and the keys of its words.
func (l *language) optionKeys(o Option) (role string, keys map[string]bool) {
	keys = map[string]bool{}
	for _, text := range append([]string{o.Label}, o.Words...) {
		ts := l.numbers.merge(split(text))
		if ms := l.books["choice"].scan(ts); len(ms) == 1 && ms[0].with("none", "both", "all", "unsure", "other") && ms[0].from == 0 && ms[0].to == len(ts) {
			role = ms[0].label
		}
		for k := range l.keys(ts) {
			keys[k] = true
		}
	}
	if o.Value == care.None || o.Value == care.Unsure {
		role = o.Value
	}
	return role, keys
}

// keys returns the stems of the words that carry meaning and the groups that
// they belong to, each with the tokens where it begins.
func (l *language) keys(ts []token) map[string][]int {
	out := map[string][]int{}
	for i, t := range ts {
		l.choice.groups.each(ts, i, func(p *phrase, _ int) {
			for g := range strings.SplitSeq(p.value, ",") {
				out["group "+g] = append(out["group "+g], i)
			}
		})
		if t.sign || (t.isNum && t.digit) {
			continue
		}
		for _, w := range []string{t.word, t.alt} {
			if w != "" && !l.choice.stop[w] {
				out[l.choice.stem(w)] = append(out[l.choice.stem(w)], i)
			}
		}
	}
	return out
}

// oneOf reads one value.
func (l *language) oneOf(q Question, raw []token) (string, verdict) {
	has := func(v string) bool {
		return slices.ContainsFunc(q.Options, func(o Option) bool { return o.Value == v })
	}
	special := func(v string, got verdict) (string, verdict) {
		if got == read && !has(v) {
			return "", rejected
		}
		return v, got
	}
	c := l.newChoice(q, raw)
	if v, ok := c.byPlace(); ok {
		return v, read
	}
	if q.Kind == care.NextOf && have(l.books["next"].scan(c.ts), "next") && has(care.Next) {
		return care.Next, read
	}
	var v string
	got := nothing
	switch {
	case q.Kind == kindSide || has("left") && has("right"):
		v, got = special(l.side(l.prepare("side", raw)))
	case q.Kind == kindBetter || has("better") && has("worse"):
		v, got = special(l.better(l.prepare("better", raw)))
	case has(care.Yes) && has(care.No):
		v, got = special(l.yesNo(l.prepare("yesno", raw)))
	default:
		return c.byWords()
	}
	if got != read && q.Kind == care.OneOf {
		if v, ok := c.byRole(); ok {
			return v, read
		}
	}
	return v, got
}

// byPlace reads a reply that names an option by number, letter or order.
func (c *choice) byPlace() (string, bool) {
	if c.q.Kind == kindSide || c.q.Kind == kindBetter {
		return "", false
	}
	for _, o := range c.q.Options { // the label itself comes before its number
		if sameWords(c.ts, c.l.numbers.merge(split(o.Label))) {
			return o.Value, true
		}
	}
	places, ok := c.places()
	if have(c.ms, "none", "all", "both", "unsure", "other") {
		return "", false // "los dos" names no place
	}
	if !ok || len(places) != 1 {
		return "", false
	}
	return c.q.Options[places[0]].Value, true
}

func sameWords(a, b []token) bool {
	plain := func(ts []token) string {
		var s strings.Builder
		for _, t := range ts {
			if !t.sign || strings.ContainsAny(t.word, "-+<>") {
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
	for i := 0; i < len(c.ts); i++ {
		t := c.ts[i]
		p, is := c.place(i)
		switch {
		case taken[i]:
		case t.sign:
			span = t.word == "-" && len(out) > 0
			continue
		case is && p >= 0 && p < n:
			if span {
				for k := out[len(out)-1] + 1; k < p; k++ {
					out = append(out, k)
				}
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

// byWords reads a reply by what it says: a value within a range, words of one
// option and of no other, or a role such as "none of them".
func (c *choice) byWords() (string, verdict) {
	if v, ok := c.byRange(); ok {
		return v, read
	}
	scores, denied := c.scores()
	best, tied := -1, false
	for i, s := range scores {
		switch {
		case s == 0:
		case best < 0 || s > scores[best]+1e-9:
			best, tied = i, false
		case s > scores[best]-1e-9:
			tied = true
		}
	}
	if best >= 0 && !tied {
		return c.q.Options[best].Value, read
	}
	if k := slices.Index(c.roles, "both"); k >= 0 && tied {
		return c.q.Options[k].Value, read
	}
	if best < 0 {
		if v, ok := c.byRole(); ok {
			return v, read
		}
		if v, ok := c.leftOver(denied); ok {
			return v, read
		}
		if v, ok := c.byYesNo(); ok {
			return v, read
		}
	}
	if best >= 0 || have(c.ms, "none", "all", "both", "unsure", "ask") {
		return "", rejected
	}
	return "", nothing
}

// scores weighs each option by the words that the reply shares with it, a word
// less the more options it fits. Words behind a negation count as denied.
func (c *choice) scores() (scores []float64, denied []bool) {
	off, asked := c.negated()
	scores, denied = make([]float64, len(c.keys)), make([]bool, len(c.keys))
	keys := c.l.keys(c.ts)
	for i := range c.keys {
		best := make([]float64, len(c.ts))
		for k, places := range keys {
			for _, at := range places {
				switch {
				case !c.keys[i][k] || asked[at]:
				case off[at]:
					denied[i] = true
				default:
					best[at] = max(best[at], 1/float64(c.count[k]))
				}
			}
		}
		for _, v := range best {
			scores[i] += v
		}
	}
	return scores, denied
}

// negated marks the tokens behind a negation, up to the end of the clause or a
// turn, those before the last correction, and those within a question.
func (c *choice) negated() (off, asked []bool) {
	off, asked = make([]bool, len(c.ts)+1), make([]bool, len(c.ts)+1)
	all := c.l.found("choice", c.ts)
	part := parts(all, c.ts)
	for _, m := range all {
		for i := m.to; i < len(c.ts) && m.with("not", "ask"); i++ {
			if m.label == "not" && part[i] == part[m.from] {
				off[i] = true
			}
			asked[i] = asked[i] || m.label == "ask"
		}
		for i := 0; i < m.from && m.with("fix", "undo"); i++ {
			off[i] = off[i] || m.to < len(c.ts)
		}
	}
	for i, t := range c.ts {
		for j := i - 1; t.word == "?" && j >= 0 && !c.ts[j].ends(); j-- {
			asked[j] = true
		}
	}
	return off, asked
}

// byRole reads "none of them", "both", "something else", "no idea" where an
// option stands for it.
func (c *choice) byRole() (string, bool) {
	for _, m := range c.ms {
		if k := slices.Index(c.roles, m.label); k >= 0 && m.label != "" {
			return c.q.Options[k].Value, true
		}
		if k := slices.Index(c.roles, "other"); k >= 0 && m.label == "none" {
			return c.q.Options[k].Value, true
		}
	}
	return "", false
}

// leftOver answers "none" where every other option was denied.
func (c *choice) leftOver(denied []bool) (string, bool) {
	free := -1
	for i := range denied {
		switch {
		case c.roles[i] == "none":
			free = i
		case c.roles[i] == "" && !denied[i]:
			return "", false
		}
	}
	if free < 0 {
		return "", false
	}
	return c.q.Options[free].Value, true
}

// byYesNo reads a yes or no where two options mean just that.
func (c *choice) byYesNo() (string, bool) {
	mean := map[string]int{}
	for i, o := range c.q.Options {
		if v, ok := c.l.yesNo(c.l.prepare("yesno", split(o.Label))); ok == read && c.roles[i] == "" {
			if _, twice := mean[v]; twice {
				return "", false
			}
			mean[v] = i
		}
	}
	_, yes := mean[care.Yes]
	_, no := mean[care.No]
	v, got := c.l.yesNo(correct(c.ts, c.l.knows, c.l.books["yesno"].vocab))
	k, ok := mean[v]
	if got != read || !ok || !yes || !no {
		return "", false
	}
	return c.q.Options[k].Value, true
}
