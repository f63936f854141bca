// Package safety reads every message before anything else does, in every
// loaded language, and is the last door for what goes out. It may raise an
// episode's disposition and can never lower it, and it does not know the flow:
// a fault in a protocol cannot switch it off.
package safety

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"sync"

	"turnstone/care"
)

// A Screen finds danger signs in what people write. It is made by LoadScreen,
// never changes, and may be used by many at once.
type Screen struct {
	lex      *lexicon
	patterns []*pattern // of rules
	quiet    []*pattern // of silences
	silences []*silence
	far      [][]far // by their first atom
	special  special
	learned  *learned  // or nil: rules alone
	ideas    []idea    // the concepts, for the learned reader
	pool     sync.Pool // of *reading
}

// special are the concepts that the grammar itself asks for.
type special struct{ joiner, turn, present, filler, symptom, negator int32 }

// A rule raises a sign.
type rule struct {
	id   string
	sign care.Sign
	rank int // place of the sign in care.Signs
}

// An Explanation is a Finding with the rules that led to it.
type Explanation struct {
	Finding care.Finding
	Hits    []Hit
	Calm    float64 // how sure the learned reader is that there is no danger, 0 to 1
}

// A Hit is one place where a rule matched.
type Hit struct {
	Rule     string
	Sign     care.Sign
	Words    []string // as they were written
	Doubtful bool     // counts as a doubt
	Part     bool     // counts only together with others
	Silence  string   // what quieted it, or empty
	Why      string   // the kind of that silence
}

// LoadScreen reads the danger*.toml files of every language folder of fsys.
// It returns every fault, one a line, with its file and line; a Screen only
// if there is none.
func LoadScreen(fsys fs.FS) (*Screen, error) {
	l := &loader{}
	l.readFiles(fsys)
	// What refers to a broken file would only repeat its faults.
	for _, step := range []func(){l.build, l.check, func() { l.learn(fsys) }} {
		if len(l.faults) == 0 {
			step()
		}
	}
	if len(l.faults) > 0 {
		return nil, errors.Join(l.faults...)
	}
	return l.screen, nil
}

// Read returns the most urgent sign of text, read in all languages. Where a
// word has a meaning in several, the language of most of the message decides,
// and prefer decides a draw. It takes time in proportion to the text.
func (s *Screen) Read(text string, prefer care.Locale) care.Finding {
	r := s.pool.Get().(*reading)
	defer s.pool.Put(r)
	r.explain = false
	return r.read(text, prefer)
}

// Why reads text like Read and tells which rule saw what.
func (s *Screen) Why(text string, prefer care.Locale) Explanation {
	r := s.pool.Get().(*reading)
	defer s.pool.Put(r)
	r.explain, r.hits = true, nil
	f := r.read(text, prefer)
	return Explanation{f, r.hits, r.calm}
}

func newScreen(lex *lexicon) *Screen {
	s := &Screen{lex: lex}
	id := lex.concept
	s.special = special{id("joiner"), id("turn"), id("present"), id("filler"), id("symptom"), id("negator")}
	s.pool.New = func() any {
		return &reading{s: s, aliveAt: make([]int32, len(s.far)), seen: make([]uint32, len(lex.names)), seenWord: make([]uint32, len(lex.entries))}
	}
	return s
}

// addRule takes the patterns of one line: one that counts by itself, or
// several that count together.
func (s *Screen) addRule(r *rule, all []*pattern) {
	f := far{rule: r}
	for _, p := range all {
		p.rule = r
		if len(all) > 1 {
			p.atom = int32(len(s.far))
			s.far = append(s.far, nil)
			f.atoms = append(f.atoms, p.atom)
		}
		s.patterns = append(s.patterns, p)
	}
	if len(all) > 1 {
		s.far[f.atoms[0]] = append(s.far[f.atoms[0]], f)
	}
}

// index makes each pattern known to the words from which it is looked up.
func (s *Screen) index() {
	s.lex.seal()
	s.rankIdeas()
	weights, negations := s.weigh()
	rulesOf, quietOf := map[int32][]int32{}, map[int32][]int32{}
	for list, of := range map[*[]*pattern]map[int32][]int32{&s.patterns: rulesOf, &s.quiet: quietOf} {
		for i, p := range *list {
			p.lookUp(weights)
			for _, c := range p.needs {
				p.firm = p.firm || negations[c]
			}
			k := p.parts[0].elems[p.key].concept
			of[k] = append(of[k], int32(i))
		}
	}
	for _, entries := range [][]entry{s.lex.entries, s.lex.ends} {
		for i := range entries {
			for _, c := range entries[i].all {
				entries[i].rules = append(entries[i].rules, rulesOf[c]...)
				entries[i].quiet = append(entries[i].quiet, quietOf[c]...)
			}
		}
	}
}

// weigh tells for each concept how common its most common word is, by the
// number of concepts that word stands for; and which concepts a word of
// negation stands for.
func (s *Screen) weigh() (weights []int, negations map[int32]bool) {
	weights, negations = make([]int, len(s.lex.names)), map[int32]bool{}
	for _, entries := range [][]entry{s.lex.entries, s.lex.ends} {
		for i := range entries {
			negates := has(entries[i].all, s.special.negator)
			for _, c := range entries[i].all {
				weights[c] = max(weights[c], len(entries[i].all))
				negations[c] = negations[c] || negates
			}
		}
	}
	return weights, negations
}

// String tells in one line what was seen and what was quieted.
func (x Explanation) String() string {
	var b strings.Builder
	b.WriteString("found " + string(x.Finding.Sign))
	for _, h := range x.Hits {
		if h.Part {
			continue
		}
		b.WriteString("; " + h.Rule + " on " + strings.Join(h.Words, " … "))
		if h.Silence != "" {
			b.WriteString(" quieted by " + h.Silence)
		}
		if h.Doubtful {
			b.WriteString(" (doubtful)")
		}
	}
	fmt.Fprintf(&b, "; learned: calm %.3f", x.Calm)
	return b.String()
}
