package safety

import (
	"bytes"
	"math/bits"
	"slices"

	"turnstone/care"
)

// The limits of one reading; beyond them words are dropped, never a crash.
const (
	maxCandidates = 4   // words that a token may be with one slip
	maxSteps      = 600 // steps of one look-up of a pattern
	maxMarks      = 6   // silences over one token
	reachOfScope  = 18  // tokens to each side that a silence covers at most
)

// A reading is the work space for one message.
type reading struct {
	s *Screen

	fold             []byte
	tokens           []token
	next, point      gap
	inWord, inNumber bool

	mains   []int // the language of each token's sentence, or -1
	cands   []candidate
	candAt  []int32 // first candidate of each token; one more at the end
	slip    []bool  // the token was recognised with one slip
	found   []phraseHit
	foundAt []int32
	stop    []int32 // sentence of each token
	known   []int32 // the word of each token, or -1
	slips   []int32 // scratch

	marks   []marks
	back    []mark // silences of all that was said before a token
	whole   []int32
	spans   [maxElements]placed
	n       int
	steps   int
	alive   []atomHit
	aliveAt []int32 // place in alive of each atom, from 1

	round    uint32   // the number of this message
	seen     []uint32 // the round in which each concept was last seen
	seenWord []uint32

	line    []byte // scratch of the learned reader
	cuts    []int
	pieces  Pieces
	ideasAt []ideas // of each token
	sums    []float32

	calm    float64
	denied  bool // words of a rule were there, and quieted
	plainly bool // and one of them by a silence over nothing else
	best    care.Finding
	rank    int
	explain bool
	text    string
	hits    []Hit
}

// A candidate is one word that a token may be.
type candidate struct {
	word     int32
	concepts []int32
}

// A phraseHit is a phrase that begins at a token.
type phraseHit struct {
	node, n  int32
	concepts []int32
}

type marks struct {
	n  int8
	of [maxMarks]int32
}

type mark struct{ silence, at int32 }

// read is the whole way of one message.
func (r *reading) read(text string, prefer care.Locale) care.Finding {
	r.judgeByRules(text, prefer)
	r.judgeByWeight(r.weigh())
	return r.best
}

// judgeByRules finds the words and phrases of a message, what is quieted, and
// the most urgent sign that a rule sees.
func (r *reading) judgeByRules(text string, prefer care.Locale) {
	r.text = text
	r.best, r.rank, r.denied, r.plainly = care.Finding{}, 1<<30, false, false
	if r.round++; r.round == 0 { // all marks are from a round that comes again
		clear(r.seen)
		clear(r.seenWord)
		r.round = 1
	}
	r.tokenise(text)
	r.look(prefer)
	r.segment()
	r.quiet()
	r.raise()
}

// look finds the words that every token may be, and the phrases.
func (r *reading) look(prefer care.Locale) {
	r.cands, r.candAt, r.slip = r.cands[:0], r.candAt[:0], r.slip[:0]
	r.words()
	r.languages(prefer)
	for i := range r.tokens {
		r.candAt = append(r.candAt, int32(len(r.cands)))
		r.slip = append(r.slip, r.candidates(i))
	}
	r.candAt = append(r.candAt, int32(len(r.cands)))
	r.phrases()
}

// candidates adds the words that token i may be, and reports whether only a
// slip makes it one.
func (r *reading) candidates(i int) (slip bool) {
	lex, t := r.s.lex, &r.tokens[i]
	w := r.known[i]
	if w >= 0 {
		r.candidate(i, w)
		for _, same := range lex.entries[w].same {
			r.candidate(i, same)
		}
	}
	if w >= 0 && t.head > 2 && string(r.fold[t.lo+t.head:t.hi]) == "s" { // the owner in "nobody's home"
		if owner := r.lookUp(r.fold[t.lo : t.lo+t.head]); owner >= 0 {
			r.candidate(i, owner)
		}
	}
	if n := lex.body(r.fold[t.lo:t.hi]); n < t.hi-t.lo { // the verb in "moverlo"
		if verb := r.lookUp(r.fold[t.lo : t.lo+n]); verb >= 0 && verb != w {
			r.candidate(i, verb)
			if w < 0 {
				return false
			}
		}
	}
	for _, n := range lex.ranges {
		if t.number >= n.lo && t.number <= n.hi {
			r.candidate(i, n.word)
		}
	}
	if w >= 0 || t.number >= 0 {
		return false
	}
	langs := ^uint32(0)
	if r.mains[i] >= 0 {
		langs = 1 << r.mains[i]
	}
	r.slips = lex.typos.find(lex.entries, r.fold[t.lo:t.hi], langs, r.slips[:0], maxCandidates)
	for _, w := range r.slips {
		r.candidate(i, w)
	}
	return true
}

func (r *reading) candidate(i int, w int32) {
	concepts := r.s.lex.entries[w].read(r.mains[i])
	r.cands = append(r.cands, candidate{w, concepts})
	if r.seenWord[w] != r.round {
		r.seenWord[w] = r.round
		r.see(concepts)
	}
}

func (r *reading) see(concepts []int32) {
	for _, c := range concepts {
		r.seen[c] = r.round
	}
}

// words looks up every token, splitting at an apostrophe where the whole is
// unknown, and leaves the numbers of the words in known.
func (r *reading) words() {
	r.known = r.known[:0]
	split := false
	for i := range r.tokens {
		w := r.lookUp(r.fold[r.tokens[i].lo:r.tokens[i].hi])
		r.known = append(r.known, w)
		split = split || w < 0 && r.tokens[i].head > 0
	}
	if !split {
		return
	}
	old := r.tokens
	var tokens []token
	r.known = r.known[:0]
	for _, t := range old {
		w := r.lookUp(r.fold[t.lo:t.hi])
		if w < 0 && t.head > 0 {
			tail := t
			tail.lo, tail.head, tail.gap = t.lo+t.head, 0, noGap
			t.hi, t.head = t.lo+t.head, 0
			tokens = append(tokens, t, tail)
			r.known = append(r.known, r.lookUp(r.fold[t.lo:t.hi]), r.lookUp(r.fold[tail.lo:tail.hi]))
			continue
		}
		tokens = append(tokens, t)
		r.known = append(r.known, w)
	}
	r.tokens = tokens
}

// lookUp returns the word of a folded token, or -1. Letters repeated for
// stress are taken out.
func (r *reading) lookUp(text []byte) int32 {
	if w, ok := r.s.lex.words[string(text)]; ok {
		return w
	}
	var buf [64]byte
	if n := len(text); n > 4 && n < len(buf) && text[n-2] == 'i' && text[n-1] == 'n' { // "bleedin"
		if w, ok := r.s.lex.words[string(append(append(buf[:0], text...), 'g'))]; ok {
			return w
		}
	}
	if !stressed(text) {
		return -1
	}
	for _, keep := range [2]int{2, 1} {
		if w, ok := r.s.lex.words[string(squeeze(buf[:0], text, keep))]; ok {
			return w
		}
	}
	return -1
}

// stressed reports three equal letters in a row, or two at the end.
func stressed(text []byte) bool {
	for i := 2; i < len(text); i++ {
		if text[i] == text[i-1] && text[i] == text[i-2] {
			return true
		}
	}
	return len(text) > 2 && text[len(text)-1] == text[len(text)-2]
}

func squeeze(dst, text []byte, keep int) []byte {
	run := 0
	for i, c := range text {
		if run++; i > 0 && text[i-1] != c {
			run = 1
		}
		if run <= keep && len(dst) < cap(dst) {
			dst = append(dst, c)
		}
	}
	return dst
}

// languages finds the language of each sentence: the one that most of its
// words are only in. Without such words it is that of the message, or prefer;
// where two are near, there is none.
func (r *reading) languages(prefer care.Locale) {
	whole := language(r.votes(0, len(r.tokens)))
	if whole == undecided {
		whole = slices.Index(r.s.lex.langs, string(prefer))
	}
	r.mains = r.mains[:0]
	for from := 0; from < len(r.tokens); {
		to := from + 1
		for to < len(r.tokens) && r.tokens[to].gap < stopGap {
			to++
		}
		main := language(r.votes(from, to))
		if main == undecided {
			main = whole
		}
		for ; from < to; from++ {
			r.mains = append(r.mains, main)
		}
	}
}

// votes counts the words of tokens from lo to hi that are only in one language.
func (r *reading) votes(lo, hi int) (votes [32]int) {
	for _, w := range r.known[lo:hi] {
		if w >= 0 {
			if langs := r.s.lex.entries[w].langs; langs&(langs-1) == 0 {
				votes[bits.TrailingZeros32(langs)&31]++
			}
		}
	}
	return votes
}

const (
	mixed     = -1 // two languages are near each other
	undecided = -2 // no word tells
)

// language is the one with three times the votes of any other.
func language(votes [32]int) int {
	best, second := 0, -1
	for i, n := range votes {
		switch {
		case n > votes[best]:
			best, second = i, best
		case i != best && (second < 0 || n > votes[second]):
			second = i
		}
	}
	switch {
	case votes[best] == 0:
		return undecided
	case votes[best] < 3*votes[second]:
		return mixed
	}
	return best
}

// phrases finds the phrases that begin at each token.
func (r *reading) phrases() {
	lex := r.s.lex
	r.found, r.foundAt = r.found[:0], r.foundAt[:0]
	for i := range r.tokens {
		r.foundAt = append(r.foundAt, int32(len(r.found)))
		for _, c := range r.of(i) {
			if lex.entries[c.word].starts {
				r.follow(i, i, 0, c.word)
			}
		}
	}
	r.foundAt = append(r.foundAt, int32(len(r.found)))
}

// follow takes the step from node over the word of token i.
func (r *reading) follow(start, i int, node, word int32) {
	lex := r.s.lex
	next, ok := lex.phrases[uint64(node)<<32|uint64(word)]
	if !ok {
		return
	}
	if e := &lex.ends[next]; e.langs != 0 {
		r.found = append(r.found, phraseHit{next, int32(i - start + 1), e.all})
		r.see(e.all)
	}
	if i+1 < len(r.tokens) && r.tokens[i+1].gap < stopGap {
		for _, c := range r.of(i + 1) {
			r.follow(start, i+1, next, c.word)
		}
	}
}

func (r *reading) of(i int) []candidate { return r.cands[r.candAt[i]:r.candAt[i+1]] }

// lengths returns over how many tokens concept c may stand at token i, as a
// set of bits.
func (r *reading) lengths(i int, c int32) (set uint32) {
	for _, h := range r.found[r.foundAt[i]:r.foundAt[i+1]] {
		if has(h.concepts, c) {
			set |= 1 << h.n
		}
	}
	for _, w := range r.of(i) {
		if has(w.concepts, c) {
			return set | 1<<1
		}
	}
	return set
}

// stands returns over how many tokens concept c stands at token i at most.
func (r *reading) stands(i int, c int32) int {
	return max(0, bits.Len32(r.lengths(i, c))-1)
}

// segment numbers the sentences and marks the joining and the turning words.
func (r *reading) segment() {
	r.stop = r.stop[:0]
	n := int32(0)
	for i := range r.tokens {
		t := &r.tokens[i]
		if t.gap == stopGap {
			n++
		}
		r.stop = append(r.stop, n)
		if r.slip[i] {
			continue // a guessed word parts no sentence
		}
		if r.stands(i, r.s.special.turn) > 0 {
			t.gap = max(t.gap, turnGap)
		} else if r.stands(i, r.s.special.joiner) > 0 {
			t.gap = max(t.gap, joinGap)
		}
	}
}

func (r *reading) word(i int) string {
	return string(bytes.TrimSpace([]byte(r.text[r.tokens[i].from:r.tokens[i].to])))
}
