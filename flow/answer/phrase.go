package answer

import (
	"fmt"
	"slices"
	"strings"
)

// A phrase is a row of the language data: what people say, and what it means.
//
//	word       that word, accents and apostrophes set aside
//	=sí        that word with its accents, to the letter
//	hinch*     a word that begins so
//	(a|b c)    one of several
//	<set>      one of a set of the file
//	#          a number, in digits or words
//	x?         may be left out (after a word, a group or a set)
//	..  ...    up to two, up to four words of any kind
//	,          a comma, a point or the like
//	^  ^^      a clause, the whole message begins here
//	$  $$      a clause, the whole message ends here
type phrase struct {
	label, value string
	elems        []elem
	order        int
}

type elem struct {
	kind     byte       // w words, # number, . gap, or the sign itself
	words    [][]string // alternatives, each a row of words; "hinch*" is the start of one
	gap      int
	optional bool
}

// A mark is a phrase found in a reply, over the tokens [from, to).
type mark struct {
	label, value string
	from, to     int
}

// A book holds the phrases of one section of one language.
type book struct {
	first map[string][]*phrase // by the word that they begin with
	rest  []*phrase            // those that begin with no fixed word
	all   []*phrase
	vocab []string
}

func (b *book) add(label, value, text string, sets map[string][][]string) error {
	elems, err := parsePhrase(text, sets)
	if err != nil {
		return err
	}
	p := &phrase{label: label, value: value, elems: elems, order: len(b.all)}
	b.all = append(b.all, p)
	if b.first == nil {
		b.first = map[string][]*phrase{}
	}
	b.place(p)
	return nil
}

// place files a phrase under the words that it can begin with.
func (b *book) place(p *phrase) {
	heads, open := headWords(p.elems)
	if open {
		b.rest = append(b.rest, p)
		return
	}
	for _, h := range heads {
		b.first[h] = append(b.first[h], p)
	}
}

// headWords lists the words that a phrase can begin with; open means any.
func headWords(elems []elem) (heads []string, open bool) {
	for _, e := range elems {
		switch e.kind {
		case '^', '<':
			continue
		case 'w':
			for _, alt := range e.words {
				if strings.HasSuffix(alt[0], "*") {
					return nil, true
				}
				h := alt[0]
				if exact, ok := strings.CutPrefix(h, "="); ok {
					h = fold(exact)
				}
				if !slices.Contains(heads, h) {
					heads = append(heads, h)
				}
			}
			if !e.optional {
				return heads, false
			}
		default:
			return nil, true
		}
	}
	return nil, true
}

// parsePhrase reads the phrase language. Its faults say what to write instead.
func parsePhrase(text string, sets map[string][][]string) ([]elem, error) {
	fields, err := phraseFields(text)
	if err != nil {
		return nil, err
	}
	var out []elem
	solid := false
	for _, f := range fields {
		e, err := parseElem(f, sets)
		if err != nil {
			return nil, err
		}
		solid = solid || (!e.optional && strings.IndexByte("w#,", e.kind) >= 0)
		out = append(out, e)
	}
	if !solid {
		return nil, fmt.Errorf("phrase %q could match nothing at all: give it at least one word that must be there", text)
	}
	if out[0].kind == '.' {
		return nil, fmt.Errorf("phrase %q begins with a gap: begin with a word", text)
	}
	return out, nil
}

// phraseFields cuts at spaces outside brackets.
func phraseFields(text string) ([]string, error) {
	var out []string
	depth, start := 0, -1
	for i, r := range text + " " {
		switch {
		case r == '(':
			depth++
		case r == ')':
			depth--
		}
		if depth < 0 || depth > 1 {
			return nil, fmt.Errorf("phrase %q: brackets must come in pairs, none within another", text)
		}
		if r != ' ' && start < 0 {
			start = i
		}
		if r == ' ' && depth == 0 && start >= 0 {
			out, start = append(out, text[start:i]), -1
		}
	}
	if depth != 0 || len(out) == 0 {
		return nil, fmt.Errorf("phrase %q is empty or has an open bracket: write at least one word, and close it", text)
	}
	return out, nil
}

func parseElem(f string, sets map[string][][]string) (elem, error) {
	e := elem{kind: 'w'}
	if len(f) > 1 && strings.HasSuffix(f, "?") {
		e.optional, f = true, strings.TrimSuffix(f, "?")
	}
	var alts []string
	switch {
	case f == "#" || f == "^" || f == "$" || f == ",":
		e.kind = f[0]
		return e, nil
	case f == "^^":
		e.kind = '<'
		return e, nil
	case f == "$$":
		e.kind = '>'
		return e, nil
	case f == ".." || f == "...":
		e.kind, e.gap, e.optional = '.', 2*(len(f)-1), false
		return e, nil
	case strings.HasPrefix(f, "<") && strings.HasSuffix(f, ">"):
		if e.words = sets[strings.Trim(f, "<>")]; e.words == nil {
			return e, fmt.Errorf("no set is called %s: add it under [sets], or correct the name", f)
		}
	case strings.HasPrefix(f, "(") && strings.HasSuffix(f, ")"):
		alts = strings.Split(strings.Trim(f, "()"), "|")
	default:
		alts = []string{f}
	}
	for _, a := range alts {
		row, err := wordRow(a)
		if err != nil {
			return e, err
		}
		e.words = append(e.words, row)
	}
	return e, nil
}

// wordRow folds a row of plain words as replies are folded.
func wordRow(s string) ([]string, error) {
	var row []string
	for _, w := range strings.Fields(s) {
		if exact, ok := strings.CutPrefix(w, "="); ok && exact != "" {
			row = append(row, "="+strings.ToLower(exact))
			continue
		}
		plain, start := strings.CutSuffix(w, "*")
		if strings.ContainsAny(plain, "()<>|?*^$#") || plain == "" {
			return nil, fmt.Errorf("%q is not a plain word: set signs apart by spaces, outside brackets", w)
		}
		for _, t := range split(plain) {
			row = append(row, t.word)
		}
		if start && len(row) > 0 {
			row[len(row)-1] += "*"
		}
	}
	if len(row) == 0 {
		return nil, fmt.Errorf("an empty choice between | and |: remove it")
	}
	return row, nil
}

// scan finds the phrases of the book in a reply: leftmost, then longest, then
// the one that stands first in the file. Marks never overlap.
func (b *book) scan(ts []token) []mark {
	var out []mark
	for i := 0; i < len(ts); {
		best, end := b.longest(ts, i)
		if best == nil {
			i++
			continue
		}
		if j := b.crossed(ts, i, end, best); j > i {
			i = j
			continue
		}
		out = append(out, mark{best.label, best.value, i, end})
		i = end
	}
	return out
}

// longest returns the phrase that begins at i and reaches furthest.
func (b *book) longest(ts []token, i int) (best *phrase, end int) {
	end = i
	b.each(ts, i, func(p *phrase, to int) {
		if to > end || to == end && (p.careful() && !best.careful() || p.careful() == best.careful() && p.order < best.order) {
			best, end = p, to
		}
	})
	return best, end
}

// each calls f with every phrase that begins at i, and where it ends.
func (b *book) each(ts []token, i int, f func(p *phrase, to int)) {
	try := func(ps []*phrase) {
		for _, p := range ps {
			if to := match(p.elems, ts, i); to > i {
				f(p, to)
			}
		}
	}
	try(b.first[ts[i].word])
	if alt := ts[i].alt; alt != "" && alt != ts[i].word {
		try(b.first[alt])
	}
	try(b.rest)
}

// mapWords changes every plain word of the book by f.
func (b *book) mapWords(f func(string) string) {
	b.first, b.rest = map[string][]*phrase{}, nil
	for _, p := range b.all {
		for _, e := range p.elems {
			for _, row := range e.words {
				for k, w := range row {
					if start, ok := strings.CutSuffix(w, "*"); ok {
						row[k] = squeeze(start, 1) + "*"
					} else {
						row[k] = f(w)
					}
				}
			}
		}
		b.place(p)
	}
}

// crossed returns where a phrase of more careful meaning begins within [i, end)
// and reaches beyond it: "I don't | know" is a doubt, not a denial. It returns i
// where there is none.
func (b *book) crossed(ts []token, i, end int, best *phrase) int {
	for j := i + 1; j < end; j++ {
		p, to := b.longest(ts, j)
		if p != nil && to > end && p.careful() && !best.careful() && best.label != "ask" {
			return j
		}
	}
	return i
}

// careful reports whether a phrase says that there is no plain answer.
func (p *phrase) careful() bool { return slices.Contains([]string{"unsure", "pass", "hold"}, p.label) }

// match returns the furthest end of elems in ts from i on, or -1.
func match(elems []elem, ts []token, i int) int {
	if len(elems) == 0 {
		return i
	}
	e, rest, best := elems[0], elems[1:], -1
	if e.optional {
		best = match(rest, ts, i)
	}
	switch e.kind {
	case '.':
		for n := 0; n <= e.gap && i+n <= len(ts); n++ {
			best = max(best, match(rest, ts, i+n))
			if i+n < len(ts) && ts[i+n].ends() {
				break
			}
		}
	case 'w':
		for _, row := range e.words {
			if followed(row, ts, i) {
				best = max(best, match(rest, ts, i+len(row)))
			}
		}
	default:
		if n := e.one(ts, i); n >= 0 {
			best = max(best, match(rest, ts, i+n))
		}
	}
	return best
}

// one returns how many tokens a sign of the phrase language takes at i, -1 if
// it does not stand there.
func (e elem) one(ts []token, i int) int {
	here := i < len(ts)
	ok, n := false, 0
	switch e.kind {
	case '^':
		ok = i == 0 || ts[i-1].ends()
	case '<':
		ok = !slices.ContainsFunc(ts[:i], func(t token) bool { return !t.sign })
	case '$':
		ok = !here || ts[i].ends()
	case '>':
		ok = !slices.ContainsFunc(ts[i:], func(t token) bool { return !t.sign })
	case '#':
		ok, n = here && ts[i].isNum, 1
	case ',':
		ok, n = here && ts[i].ends(), 1
	}
	if !ok {
		return -1
	}
	return n
}

func followed(row []string, ts []token, i int) bool {
	if i+len(row) > len(ts) {
		return false
	}
	for k, w := range row {
		if !ts[i+k].said(w) {
			return false
		}
	}
	return true
}
