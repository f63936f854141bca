package safety

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// A lexicon knows the words of every language and the concepts they stand
// for. A concept has one name in all languages, so a message that mixes two
// is read like any other.
type lexicon struct {
	langs    []string
	names    map[string]int32 // concepts
	parents  [][]parent       // concepts that take in each concept
	words    map[string]int32
	entries  []entry
	phrases  map[uint64]int32 // node<<32 | word -> node; node 0 is the root
	ends     []entry          // what a phrase that ends at a node stands for
	ranges   []numberRange
	tails    []string // words written in one with the word before,
	tailed   []string // where that has one of these endings
	typos    typos
	maxWords int // of the longest phrase
	fold     reading
}

// An entry is what one word or phrase stands for, in each language that has it.
type entry struct {
	text   string
	langs  uint32    // languages that have it
	by     [][]int32 // concepts per language, sorted
	all    []int32   // of all languages together, sorted
	starts bool      // a phrase begins with it
	rules  []int32   // patterns that are looked up from it
	quiet  []int32   // silences that are looked up from it
	same   []int32   // words that it is another spelling of
}

// A parent is a concept that takes in another's words in some languages.
type parent struct {
	concept int32
	langs   uint32
}

// A numberRange stands for the numbers from lo to hi.
type numberRange struct {
	lo, hi float64
	word   int32
}

// hang makes each of words a tail of a word that has one of the endings.
func (l *lexicon) hang(endings, words string) {
	l.tailed = slices.AppendSeq(l.tailed, itemsOf(endings))
	l.tails = slices.AppendSeq(l.tails, itemsOf(words))
}

// body returns how many bytes of a folded word are left without a tail, a word
// that is written in one with the word before it: "moverlo".
func (l *lexicon) body(text []byte) int {
	for _, tail := range l.tails {
		n := len(text) - len(tail)
		if n < 3 || string(text[n:]) != tail {
			continue
		}
		for _, e := range l.tailed {
			if n > len(e)+1 && string(text[n-len(e):n]) == e {
				return n
			}
		}
	}
	return len(text)
}

// newLexicon makes room for about so many words.
func newLexicon(langs []string, room int) *lexicon {
	return &lexicon{
		langs: langs, names: make(map[string]int32, room/4), words: make(map[string]int32, room), entries: make([]entry, 0, room),
		phrases: make(map[uint64]int32, room), ends: make([]entry, 1, room+1),
	}
}

// concept returns the number of the concept with this name, new or not.
func (l *lexicon) concept(name string) int32 {
	c, ok := l.names[name]
	if !ok {
		c = int32(len(l.names))
		l.names[name] = c
		l.parents = append(l.parents, nil)
	}
	return c
}

// takeIn makes every word that stands for part in langs stand for whole too.
func (l *lexicon) takeIn(part, whole int32, langs uint32) {
	l.parents[part] = append(l.parents[part], parent{whole, langs})
}

// teach lets one item of a list stand for a concept: a word, a phrase, or
// numbers such as #38..42.
func (l *lexicon) teach(lang int, item string, concept int32) error {
	if lo, hi, ok := strings.Cut(strings.TrimPrefix(item, "#"), ".."); ok && item[0] == '#' {
		return l.numbers(lang, item, lo, hi, concept)
	}
	r := &l.fold
	if r.tokenise(item); len(r.tokens) == 0 {
		return fmt.Errorf("%q has no letters; write a word", item)
	}
	e := l.entry(lang, r)
	e.langs |= 1 << lang
	if e.by == nil {
		e.by = make([][]int32, len(l.langs))
	}
	e.by[lang] = append(e.by[lang], concept)
	return nil
}

// entry returns the entry of the tokens of r, new or not.
func (l *lexicon) entry(lang int, r *reading) *entry {
	l.maxWords = max(l.maxWords, len(r.tokens))
	node := int32(0)
	for i, t := range r.tokens {
		w := l.word(r.fold[t.lo:t.hi], lang)
		if len(r.tokens) == 1 {
			return &l.entries[w]
		}
		l.entries[w].starts = l.entries[w].starts || i == 0
		key := uint64(node)<<32 | uint64(w)
		next, ok := l.phrases[key]
		if !ok {
			next = int32(len(l.ends))
			l.phrases[key] = next
			l.ends = append(l.ends, entry{})
		}
		node = next
	}
	if e := &l.ends[node]; e.text == "" {
		e.text = string(r.fold)
	}
	return &l.ends[node]
}

// word returns the number of a folded word, new or not.
func (l *lexicon) word(text []byte, lang int) int32 {
	w, ok := l.words[string(text)]
	if !ok {
		w = int32(len(l.entries))
		l.entries = append(l.entries, entry{text: string(text)})
		l.words[l.entries[w].text] = w
	}
	l.entries[w].langs |= 1 << lang
	return w
}

func (l *lexicon) numbers(lang int, item, lo, hi string, concept int32) error {
	a, errA := strconv.ParseFloat(lo, 64)
	b, errB := strconv.ParseFloat(hi, 64)
	if errA != nil || errB != nil || b < a || math.IsNaN(a+b) {
		return fmt.Errorf("%q is not a range of numbers such as #38..42", item)
	}
	w := l.word([]byte(item), lang)
	if e := &l.entries[w]; e.by == nil {
		e.by = make([][]int32, len(l.langs))
		l.ranges = append(l.ranges, numberRange{a, b, w})
	}
	l.entries[w].by[lang] = append(l.entries[w].by[lang], concept)
	return nil
}

// seal hands every word to the concepts that take its own in, and sorts, so
// that has can search.
func (l *lexicon) seal() {
	l.spell()
	for _, list := range [][]entry{l.entries, l.ends} {
		for i := range list {
			e := &list[i]
			for k := range e.by {
				e.by[k] = sorted(l.wholes(e.by[k], 1<<k))
				e.all = append(e.all, e.by[k]...)
			}
			e.all = sorted(e.all)
		}
	}
	plain := []int32{l.concept("common"), l.concept("lookalike")}
	l.typos = newTypos(l.entries, func(e *entry) bool {
		return len(e.all) == 0 || slices.ContainsFunc(e.all, func(c int32) bool { return !slices.Contains(plain, c) })
	})
}

// spell makes the words of a concept named same_que other spellings of "que".
func (l *lexicon) spell() {
	meant := map[int32]int32{} // concept -> word
	for name, c := range l.names {
		if text, ok := strings.CutPrefix(name, "same_"); ok {
			if w, known := l.words[text]; known {
				meant[c] = w
			}
		}
	}
	for i := range l.entries {
		e := &l.entries[i]
		for _, list := range e.by {
			for _, c := range list {
				if w, ok := meant[c]; ok && !slices.Contains(e.same, w) {
					e.same = append(e.same, w)
				}
			}
		}
	}
}

// wholes adds to a list of concepts those that take them in.
func (l *lexicon) wholes(list []int32, lang uint32) []int32 {
	for i := 0; i < len(list); i++ {
		for _, up := range l.parents[list[i]] {
			if up.langs&lang != 0 && !slices.Contains(list, up.concept) {
				list = append(list, up.concept)
			}
		}
	}
	return list
}

func sorted(list []int32) []int32 {
	slices.Sort(list)
	return slices.Compact(list)
}

// read returns the concepts of e in a message whose language is main, or of
// all languages where main is -1 or does not have the word.
func (e *entry) read(main int) []int32 {
	if main >= 0 && e.langs&(1<<main) != 0 && e.by != nil {
		return e.by[main]
	}
	return e.all
}

func has(concepts []int32, c int32) bool {
	if len(concepts) > 16 {
		_, ok := slices.BinarySearch(concepts, c)
		return ok
	}
	return slices.Contains(concepts, c)
}
