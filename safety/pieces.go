package safety

import (
	"cmp"
	"slices"
	"strings"

	"turnstone/care"
)

// Pieces are the hashes of what a learned reader weighs in a message, as often
// as they stand in it.
type Pieces struct {
	Rows  []uint32 // words, and rows of words
	Parts []uint32 // parts of words
	Ideas []uint32 // concepts of the lexicon, in all languages the same
	Links []uint32 // two neighbours, of which one at least has a concept
	Rules []uint32 // what the rules made of the message
}

// Kinds are the pieces kind by kind: each weighs by the root of its count.
func (p *Pieces) Kinds() [5][]uint32 { return [5][]uint32{p.Rows, p.Parts, p.Ideas, p.Links, p.Rules} }

// The sizes of pieces: up to so many words in a row, so many bytes within a
// word, which its begin and end count to, and so many concepts of one
// word, the narrowest.
const (
	longestRow  = 3
	least, most = 3, 4
	longestWord = 30
	narrowest   = 2
)

// PiecesOf returns the pieces of text: what a learned reader learns from.
func (s *Screen) PiecesOf(text string, prefer care.Locale) Pieces {
	r := s.pool.Get().(*reading)
	defer s.pool.Put(r)
	r.explain = false
	r.judgeByRules(text, prefer)
	r.cutWhole()
	r.cut(0, len(r.tokens))
	p := r.pieces
	r.pieces = Pieces{}
	return p
}

// cut finds the pieces of the tokens from lo to hi; the rules have read the
// whole message before.
func (r *reading) cut(lo, hi int) {
	r.cutWords(lo, hi)
	r.cutIdeas(lo, hi)
}

// cutWhole finds what is the same in every part of a message: the ideas of each
// token, and the verdict of the rules.
func (r *reading) cutWhole() {
	r.ideasAt = r.ideasAt[:0]
	for i := range r.tokens {
		r.ideasAt = append(r.ideasAt, r.ideas(i))
	}
	r.cutRules()
}

// cutIdeas finds the ideas and the links.
func (r *reading) cutIdeas(lo, hi int) {
	p := &r.pieces
	p.Ideas, p.Links = p.Ideas[:0], p.Links[:0]
	for i := lo; i < hi; i++ {
		here := &r.ideasAt[i]
		p.Ideas = append(p.Ideas, here.hashes()...)
		if i+1 == hi {
			break
		}
		next := &r.ideasAt[i+1]
		if here.n+next.n == 0 {
			continue // a row of words
		}
		for _, a := range here.orWord() {
			for _, b := range next.orWord() {
				p.Links = append(p.Links, link(a, b))
			}
		}
	}
	for i := range p.Ideas {
		p.Ideas[i] = mix(p.Ideas[i])
	}
}

// cutRules tells the verdict of the rules.
func (r *reading) cutRules() {
	p := &r.pieces
	p.Rules = p.Rules[:0]
	add := func(kind uint32, what string) { p.Rules = append(p.Rules, mix(fnv1a(ruleSeed+kind, []byte(what)))) }
	const nothing, found, doubted, denied = 0, 1, 2, 3
	switch f := r.best; {
	case f.Sign == "":
		add(nothing, "")
	case f.Doubtful:
		add(doubted, "")
		add(doubted, string(f.Sign))
	default:
		add(found, f.Class().String())
		add(found, string(f.Sign))
	}
	if r.denied {
		add(denied, "")
		if r.best.Sign == "" {
			add(denied, "all")
		}
	}
}

// cutWords finds the rows and the parts.
func (r *reading) cutWords(lo, hi int) {
	r.pieces.Rows, r.pieces.Parts = r.pieces.Rows[:0], r.pieces.Parts[:0]
	r.lay(lo, hi)
	for i := range len(r.cuts) - 1 {
		h, from := uint32(rowSeed), r.cuts[i]
		for n := 1; n <= longestRow && i+n < len(r.cuts); n++ {
			to := r.cuts[i+n] + 1
			h, from = fnv1a(h, r.line[from:to]), to
			r.pieces.Rows = append(r.pieces.Rows, mix(h))
		}
		word := r.line[r.cuts[i] : r.cuts[i+1]+1]
		word = word[:min(len(word), longestWord)]
		for k := range max(0, len(word)-least+1) {
			h := fnv1a(partSeed, word[k:k+least])
			r.pieces.Parts = append(r.pieces.Parts, mix(h))
			if k+most <= len(word) {
				r.pieces.Parts = append(r.pieces.Parts, mix(fnv1a(h, word[k+least:k+most])))
			}
		}
	}
}

// lay writes the tokens from lo to hi in a line, "_cold_toes_", and notes the cuts.
func (r *reading) lay(lo, hi int) {
	r.line, r.cuts = append(r.line[:0], '_'), append(r.cuts[:0], 0)
	for _, t := range r.tokens[lo:hi] {
		r.line = append(append(r.line, r.fold[t.lo:t.hi]...), '_')
		r.cuts = append(r.cuts, len(r.line)-1)
	}
}

// Ideas are the narrowest concepts that begin at a token.
type ideas struct {
	hash [narrowest]uint32
	of   [narrowest]*idea
	n    int
}

// An idea is a concept as a learned reader knows it: by its name, since its
// number changes with the lexicon.
type idea struct {
	name string
	hash uint32
	rank int32 // the fewer words stand for it, the lower
}

func (x *ideas) hashes() []uint32 { return x.hash[:x.n] }

// orWord is the ideas, or where there are none the word.
func (x *ideas) orWord() []uint32 { return x.hash[:max(x.n, 1)] }

// add takes an idea in if it is narrower than one of those that are there.
func (x *ideas) add(d *idea) {
	at := x.n
	for at > 0 && d.rank < x.of[at-1].rank {
		at--
	}
	if at > 0 && x.of[at-1] == d || at == narrowest {
		return
	}
	x.n = min(x.n+1, narrowest)
	copy(x.of[at+1:x.n], x.of[at:])
	copy(x.hash[at+1:x.n], x.hash[at:])
	x.of[at], x.hash[at] = d, d.hash
}

// ideas finds the ideas of token i; the first is the bare word where there are none.
func (r *reading) ideas(i int) (x ideas) {
	for _, c := range r.of(i) {
		for _, k := range c.concepts {
			x.add(&r.s.ideas[k])
		}
	}
	for _, h := range r.found[r.foundAt[i]:r.foundAt[i+1]] {
		for _, k := range h.concepts {
			x.add(&r.s.ideas[k])
		}
	}
	if x.n == 0 {
		x.hash[0] = r.bare(i)
	}
	return x
}

// bare is the word of token i where it stands for no concept.
func (r *reading) bare(i int) uint32 {
	t := &r.tokens[i]
	return fnv1a(bareSeed, r.fold[t.lo:t.hi])
}

// rankIdeas names the concepts for a learned reader, and ranks them: one with a
// name of its own, which other languages have too, before one that a pattern
// lists; then the one with fewer words.
func (s *Screen) rankIdeas() {
	words := make([]int, len(s.lex.names))
	for _, entries := range [][]entry{s.lex.entries, s.lex.ends} {
		for i := range entries {
			for _, c := range entries[i].all {
				words[c]++
			}
		}
	}
	s.ideas = make([]idea, len(s.lex.names))
	order := make([]int32, 0, len(s.ideas))
	for name, c := range s.lex.names {
		s.ideas[c] = idea{name: name, hash: fnv1a(ideaSeed, []byte(name))}
		order = append(order, c)
	}
	slices.SortFunc(order, func(a, b int32) int {
		return cmp.Or(listed(s.ideas[a].name)-listed(s.ideas[b].name), cmp.Compare(words[a], words[b]), strings.Compare(s.ideas[a].name, s.ideas[b].name))
	})
	for rank, c := range order {
		s.ideas[c].rank = int32(rank)
	}
}

// listed is 1 for the concept of a list in a pattern, which has its language
// and its words for a name, and 0 for one with a name of its own.
func listed(name string) int {
	if strings.Contains(name, ":") {
		return 1
	}
	return 0
}

// Where the hashes of each kind begin, so that "_a_" is several pieces.
const (
	rowSeed  = 2166136261
	partSeed = 84696351
	ideaSeed = 3266489917
	bareSeed = 668265263
	ruleSeed = 374761393
)

// fnv1a goes on with the hash h over piece.
func fnv1a(h uint32, piece []byte) uint32 {
	for _, c := range piece {
		h = (h ^ uint32(c)) * 16777619
	}
	return h
}

// link is the hash of a before b.
func link(a, b uint32) uint32 { return mix(a*0x9e3779b1 + b) }

// mix makes the low bits of a hash even.
func mix(h uint32) uint32 {
	h ^= h >> 16
	h *= 0x85ebca6b
	return h ^ h>>13
}

// eachPiece tells the rows and the ideas of the tokens from lo to hi with how
// they are shown to a person.
func (r *reading) eachPiece(lo, hi int, each func(piece uint32, shown string)) {
	r.lay(lo, hi)
	for i := range len(r.cuts) - 1 {
		for n := 1; n <= longestRow && i+n < len(r.cuts); n++ {
			row := r.line[r.cuts[i] : r.cuts[i+n]+1]
			each(mix(fnv1a(rowSeed, row)), strings.TrimSpace(strings.ReplaceAll(string(row), "_", " ")))
		}
	}
	for i := lo; i < hi; i++ {
		x := &r.ideasAt[i]
		for k := range x.n {
			each(mix(x.hash[k]), "("+x.of[k].name+")")
		}
	}
}
