package safety

import (
	"math/bits"
	"slices"

	"turnstone/care"
)

// A placed element is where an element of a pattern was found.
type placed struct{ lo, hi int }

// An atomHit is a pattern that counts only together with others.
type atomHit struct {
	atom  int32
	end   int32
	doubt bool
}

// raise tries the rules, and keeps the most urgent sign.
func (r *reading) raise() {
	for _, a := range r.alive {
		r.aliveAt[a.atom] = 0
	}
	r.alive = r.alive[:0]
	for i := range r.tokens {
		r.each(i, func(e *entry) []int32 { return e.rules }, r.s.patterns)
	}
	r.together()
}

// quiet tries the silences, and marks what they cover.
func (r *reading) quiet() {
	r.marks = slices.Grow(r.marks[:0], len(r.tokens))[:len(r.tokens)]
	clear(r.marks)
	r.back, r.whole = r.back[:0], r.whole[:0]
	for i := range r.tokens {
		r.each(i, func(e *entry) []int32 { return e.quiet }, r.s.quiet)
	}
}

// each tries the patterns that are looked up from the words of token i.
func (r *reading) each(i int, of func(*entry) []int32, all []*pattern) {
	lex := r.s.lex
	for _, c := range r.of(i) {
		for _, p := range of(&lex.entries[c.word]) {
			r.try(all[p], i)
		}
	}
	for _, h := range r.found[r.foundAt[i]:r.foundAt[i+1]] {
		for _, p := range of(&lex.ends[h.node]) {
			r.try(all[p], i)
		}
	}
}

// try looks for p with its key element at token i.
func (r *reading) try(p *pattern, i int) {
	if p.rule != nil && p.atom < 0 && !r.explain && !r.best.Doubtful && r.rank <= p.rule.rank {
		return // cannot be more urgent than what was found
	}
	for _, c := range p.needs {
		if r.seen[c] != r.round {
			return
		}
	}
	if r.stands(i, p.parts[0].elems[p.key].concept) == 0 {
		return
	}
	r.n, r.steps = 0, 0
	from := i
	if p.key > 0 {
		from = max(0, i-p.parts[0].reach)
	}
	for s := i; s >= from; s-- {
		if r.chain(p, 0, 0, s) {
			return
		}
	}
}

// chain places element j of part k at token i, then the rest. It reports
// whether the pattern is done with.
func (r *reading) chain(p *pattern, k, j, i int) bool {
	part := &p.parts[k]
	if r.steps++; r.steps > maxSteps || i < 0 || i >= len(r.tokens) {
		return false
	}
	for set := r.lengths(i, part.elems[j].concept); set != 0; {
		n := bits.Len32(set) - 1
		set &^= 1 << n
		if r.taken(i, i+n) || !r.fits(part, j, i, i+n) {
			continue
		}
		r.spans[r.n] = placed{i, i + n}
		r.n++
		done := r.rest(p, k, j+1, i+n)
		r.n--
		if done {
			return true
		}
	}
	return false
}

// fits reports whether the neighbours of element j, placed from lo to hi, are
// as its part wants them.
func (r *reading) fits(part *part, j, lo, hi int) bool {
	e := &part.elems[j]
	if e.after >= 0 && r.standsAt(hi, e.after) || e.ends && hi < len(r.tokens) && r.tokens[hi].gap < commaGap && !r.tokens[hi].sign {
		return false
	}
	if j > 0 {
		return true
	}
	return !(part.begins && lo > 0 && r.tokens[lo].gap < commaGap) &&
		!(part.before >= 0 && r.standsBefore(lo, part.before))
}

// rest places what follows element j-1 of part k, which ends before token i.
func (r *reading) rest(p *pattern, k, j, i int) bool {
	part := &p.parts[k]
	if j == len(part.elems) {
		return r.part(p, k+1)
	}
	e := &part.elems[j]
	for g := 0; g <= e.gap && i+g < len(r.tokens); g++ {
		if b := r.tokens[i+g].gap; b == commaGap || b == stopGap {
			return false
		}
		if r.chain(p, k, j, i+g) {
			return true
		}
	}
	return false
}

// part places part k near the first one.
func (r *reading) part(p *pattern, k int) bool {
	if k == len(p.parts) {
		return r.accept(p)
	}
	first, last := r.spans[0].lo, r.spans[len(p.parts[0].elems)-1].hi
	near := p.parts[k].near
	for s := max(0, first-near-p.parts[k].reach-1); s < min(len(r.tokens), last+near+1); s++ {
		if r.stop[s] == r.stop[first] && r.chain(p, k, 0, s) {
			return true
		}
	}
	return false
}

func (r *reading) taken(lo, hi int) bool {
	for _, s := range r.spans[:r.n] {
		if lo < s.hi && s.lo < hi {
			return true
		}
	}
	return false
}

func (r *reading) standsAt(i int, c int32) bool {
	if i >= len(r.tokens) || r.tokens[i].gap >= commaGap {
		return false
	}
	return r.stands(i, c) > 0
}

// standsBefore reports whether a word or phrase for c ends right before i.
func (r *reading) standsBefore(i int, c int32) bool {
	for n := 1; n <= r.s.lex.maxWords && i-n >= 0 && r.tokens[i-n+1].gap < commaGap; n++ {
		if r.lengths(i-n, c)>>n&1 == 1 {
			return true
		}
	}
	return false
}

// accept takes a pattern all of whose elements are placed. It reports whether
// no other place needs to be looked for.
func (r *reading) accept(p *pattern) bool {
	lo, hi := r.extent()
	if !r.speaks(p.lang) || r.forbidden(p, lo, hi) {
		return false
	}
	if p.silence != nil {
		if slips, _, _ := r.slipsIn(); slips > 0 {
			return false // a guessed word takes no sign away
		}
		r.cover(p.silence, lo, hi)
		return true
	}
	q, ask := r.silenced(p, lo)
	doubt := ask || r.slipped()
	if r.explain {
		r.note(p, q, doubt)
	}
	if q != nil && !ask {
		r.denied = true
		r.plainly = r.plainly || q.plain()
		return false
	}
	if p.atom >= 0 {
		r.meet(p.atom, int32(hi), doubt)
		return false
	}
	r.keep(p.rule, doubt)
	return !doubt
}

// speaks reports whether a placed word is of the language, and not rather of
// the language of its sentence. A number is of every language.
func (r *reading) speaks(lang uint32) bool {
	for _, s := range r.spans[:r.n] {
		for i := s.lo; i < s.hi; i++ {
			main := uint32(0)
			if r.mains[i] >= 0 {
				main = 1 << r.mains[i]
			}
			for _, c := range r.of(i) {
				if langs := r.s.lex.entries[c.word].langs; langs&lang != 0 && (main == lang || langs&main == 0 && (main == 0 || r.tokens[i].number < 0)) {
					return true
				}
			}
		}
	}
	return false
}

func (r *reading) extent() (lo, hi int) {
	lo, hi = r.spans[0].lo, r.spans[0].hi
	for _, s := range r.spans[1:r.n] {
		lo, hi = min(lo, s.lo), max(hi, s.hi)
	}
	return lo, hi
}

// forbidden reports words that the pattern does not want inside it, in its
// sentence or in the message.
func (r *reading) forbidden(p *pattern, lo, hi int) bool {
	if slices.ContainsFunc(p.nowhere, func(c int32) bool { return r.seen[c] == r.round }) {
		return true
	}
	for _, c := range p.inside {
		for i := lo; i < hi; i++ {
			if !r.taken(i, i+1) && r.stands(i, c) > 0 {
				return true
			}
		}
	}
	if len(p.apart) == 0 {
		return false
	}
	for i := max(0, lo-reachOfScope); i < min(len(r.tokens), hi+reachOfScope); i++ {
		if r.stop[i] != r.stop[lo] {
			continue
		}
		for _, c := range p.apart {
			if r.stands(i, c) > 0 {
				return true
			}
		}
	}
	return false
}

// slipped reports whether the slips in a match leave it in doubt: more than
// two, two that are all of it, or one in a short word that stands alone.
func (r *reading) slipped() bool {
	slips, tokens, length := r.slipsIn()
	return slips > 2 || slips == 2 && tokens < 3 || slips == 1 && length <= shortestTypo && tokens < 2
}

// slipsIn counts the slips and the tokens of a match, and tells the length of
// the longest word that was recognised with a slip.
func (r *reading) slipsIn() (slips, tokens, length int) {
	for _, s := range r.spans[:r.n] {
		for i := s.lo; i < s.hi; i++ {
			tokens++
			if !r.slip[i] || len(r.of(i)) == 0 {
				continue
			}
			slips++
			length = max(length, r.tokens[i].hi-r.tokens[i].lo)
			for _, c := range r.of(i) {
				length = max(length, len(r.s.lex.entries[c.word].text))
			}
		}
	}
	return slips, tokens, length
}

// keep remembers a sign if it is more urgent than what was found before.
func (r *reading) keep(q *rule, doubt bool) {
	if r.rank < 1<<30 && (doubt && !r.best.Doubtful || doubt == r.best.Doubtful && q.rank >= r.rank) {
		return
	}
	r.best, r.rank = care.Finding{Sign: q.sign, Doubtful: doubt}, q.rank
}

// together raises the rules whose patterns stand anywhere in the message.
func (r *reading) together() {
	for _, a := range r.alive {
		for _, f := range r.s.far[a.atom] {
			r.combine(&f)
		}
	}
}

// meet remembers where an atom was last seen alive.
func (r *reading) meet(atom, end int32, doubt bool) {
	if at := r.aliveAt[atom]; at > 0 {
		a := &r.alive[at-1]
		a.end, a.doubt = max(a.end, end), a.doubt && doubt
		return
	}
	r.alive = append(r.alive, atomHit{atom, end, doubt})
	r.aliveAt[atom] = int32(len(r.alive))
}

func (r *reading) combine(f *far) {
	end, doubt := int32(0), false
	for _, atom := range f.atoms {
		at := r.aliveAt[atom]
		if at == 0 {
			return
		}
		a := r.alive[at-1]
		end, doubt = max(end, a.end), doubt || a.doubt
	}
	q, ask := r.takenBack(f.rule, int(end))
	if r.explain {
		r.hits = append(r.hits, hitOf(f.rule, []string{"(together)"}, q, doubt || ask))
	}
	if q == nil || ask {
		r.keep(f.rule, doubt || ask)
	}
}

// note keeps a hit for Why.
func (r *reading) note(p *pattern, q *silence, doubt bool) {
	var words []string
	for _, s := range r.spans[:r.n] {
		for i := s.lo; i < s.hi; i++ {
			words = append(words, r.word(i))
		}
	}
	h := hitOf(p.rule, words, q, doubt)
	if p.atom >= 0 {
		h.Part = true
	}
	r.hits = append(r.hits, h)
}

func hitOf(q *rule, words []string, by *silence, doubt bool) Hit {
	h := Hit{Rule: q.id, Sign: q.sign, Words: words, Doubtful: doubt}
	if by != nil {
		h.Silence, h.Why = by.id, by.why
	}
	return h
}
