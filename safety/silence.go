package safety

import (
	"slices"

	"turnstone/care"
)

// A silence quiets signs in its scope.
type silence struct {
	id, why string
	scope   scope
	signs   []care.Sign // the only ones it quiets, or all
	except  []care.Sign // those it never quiets
	rules   []string    // the only rules it quiets, or all
	ask     bool        // leaves the sign in doubt
	number  int32       // its place in Screen.silences
}

// A scope says which words a silence covers.
type scope uint8

const (
	span     scope = iota // the words of the silence
	phrase                // the words between two commas
	sentence              // and the phrases beside it that do not speak of now
	after                 // the same, from its first word on
	before                // all that the message said before it
	message               // the whole message
	deny                  // the symptoms that follow at once
	denied                // the symptoms that stand right before
)

var scopes = map[string]scope{
	"span": span, "phrase": phrase, "sentence": sentence, "after": after,
	"before": before, "message": message, "deny": deny, "denied": denied,
}

// plain reports a silence over nothing but the words of a sign: they are denied
// as such. A wider one holds a sentence for a story, for the past, for another's.
func (s *silence) plain() bool { return s.scope == span || s.scope == deny || s.scope == denied }

// cover marks the words that a silence found at tokens lo to hi covers.
func (r *reading) cover(q *silence, lo, hi int) {
	id := q.number
	switch q.scope {
	case span:
		r.markAll(id, lo, hi)
	case phrase:
		r.markAll(id, r.left(lo, commaGap), r.right(hi, commaGap))
	case sentence:
		r.markAll(id, r.widerLeft(lo), r.widerRight(hi))
	case after:
		r.markAll(id, lo, r.widerRight(hi))
	case before:
		r.takeBack(id, int32(hi))
	case message:
		if !slices.Contains(r.whole, id) {
			r.whole = append(r.whole, id)
		}
	case deny:
		r.denyAfter(id, hi)
	case denied:
		r.denyBefore(id, lo)
	}
}

func (r *reading) markAll(id int32, lo, hi int) {
	for i := max(lo, 0); i < min(hi, len(r.tokens)); i++ {
		m := &r.marks[i]
		if int(m.n) < maxMarks && !slices.Contains(m.of[:m.n], id) {
			m.of[m.n] = id
			m.n++
		}
	}
}

func (r *reading) takeBack(id, at int32) {
	for i := range r.back {
		if r.back[i].silence == id {
			r.back[i].at = max(r.back[i].at, at)
			return
		}
	}
	r.back = append(r.back, mark{id, at})
}

// left returns the first token of the stretch around i that has no gap of g
// or more in it.
func (r *reading) left(i int, g gap) int {
	for k := 0; k < reachOfScope && i > 0 && r.tokens[i].gap < g; k++ {
		i--
	}
	return i
}

// right returns the token after that stretch.
func (r *reading) right(i int, g gap) int {
	for k := 0; k < reachOfScope && i < len(r.tokens) && r.tokens[i].gap < g; k++ {
		i++
	}
	return i
}

// widerLeft is left over the neighbouring phrases too that do not speak of
// now.
func (r *reading) widerLeft(i int) int {
	end := i
	i = r.left(i, joinGap)
	for i > 0 && r.tokens[i].gap < turnGap && end-i < reachOfScope {
		k := r.left(i-1, joinGap)
		if r.ofNow(k, i) {
			break
		}
		i = k
	}
	return i
}

// widerRight is right over the neighbouring phrases too that do not speak of
// now.
func (r *reading) widerRight(i int) int {
	start := i
	i = r.right(i, joinGap)
	for i < len(r.tokens) && r.tokens[i].gap < turnGap && i-start < reachOfScope {
		k := r.right(i+1, joinGap)
		if r.ofNow(i, k) {
			break
		}
		i = k
	}
	return i
}

func (r *reading) ofNow(lo, hi int) bool {
	for i := lo; i < hi; i++ {
		if r.stands(i, r.s.special.present) > 0 {
			return true
		}
	}
	return false
}

// denyAfter marks the symptoms that follow a negator at once: fillers and
// symptoms, and over a comma only what is nothing but these and does not say
// anew what is: "not a scratch, it is deep".
func (r *reading) denyAfter(id int32, i int) {
	start := i
	for i < len(r.tokens) && i-start < reachOfScope {
		if g := r.tokens[i].gap; g >= turnGap || g == commaGap && (i == start || r.stands(i, r.s.special.present) > 0 || !r.onlySymptoms(i)) {
			break
		}
		n := r.listable(i)
		if n == 0 {
			break
		}
		i += n
	}
	r.markAll(id, start, i)
}

// listable returns over how many tokens a filler or a symptom stands at i.
func (r *reading) listable(i int) int {
	return max(r.stands(i, r.s.special.symptom), r.stands(i, r.s.special.filler))
}

// onlySymptoms reports a phrase from i to the next comma that is a plain item
// of a list.
func (r *reading) onlySymptoms(i int) bool {
	for start := i; i < len(r.tokens) && (i == start || r.tokens[i].gap < commaGap); {
		n := r.listable(i)
		if n == 0 || i-start > 6 {
			return false
		}
		i += n
	}
	return true
}

// denyBefore marks the symptoms that stand right before a negator, and those
// of the phrase before where that is nothing but symptoms.
func (r *reading) denyBefore(id int32, i int) {
	if i > 0 && i < len(r.tokens) && r.tokens[i].gap >= commaGap {
		if k := r.left(i-1, commaGap); r.onlySymptoms(k) {
			r.markAll(id, k, i)
		}
		return
	}
	end := i
	for i > 0 && end-i < 6 && (i == end || r.tokens[i].gap < commaGap) && r.tokens[i].gap < turnGap {
		if r.listable(i-1) == 0 {
			break
		}
		i--
	}
	r.markAll(id, i, end)
}

// silenced returns the silence that quiets the placed match of p, and whether
// it leaves a doubt.
func (r *reading) silenced(p *pattern, lo int) (q *silence, ask bool) {
	for _, s := range r.spans[:r.n] {
		for i := s.lo; i < s.hi; i++ {
			m := &r.marks[i]
			for _, id := range m.of[:m.n] {
				by := r.s.silences[id]
				if !by.quiets(p.rule) || by.scope == deny && (p.firm || i > s.lo) || by.scope == denied && (p.firm || i < s.hi-1) {
					continue
				}
				if q == nil || by.ask {
					q, ask = by, ask || by.ask
				}
			}
		}
	}
	if q == nil && p.atom < 0 {
		return r.takenBack(p.rule, lo+1)
	}
	return q, ask
}

// takenBack returns the silence that takes back what was said before token
// end.
func (r *reading) takenBack(q *rule, end int) (by *silence, ask bool) {
	for _, id := range r.whole {
		if s := r.s.silences[id]; s.quiets(q) {
			return s, s.ask
		}
	}
	for _, m := range r.back {
		if s := r.s.silences[m.silence]; end <= int(m.at) && s.quiets(q) {
			return s, s.ask
		}
	}
	return nil, false
}

// quiets reports whether a silence has a say about a rule.
func (s *silence) quiets(q *rule) bool {
	if len(s.signs) > 0 && !slices.Contains(s.signs, q.sign) {
		return false
	}
	return !slices.Contains(s.except, q.sign) && (len(s.rules) == 0 || slices.Contains(s.rules, q.id))
}
