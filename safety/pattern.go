package safety

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// The reach of a pattern where it does not say.
const (
	usualGap    = 2  // words between two elements of a part
	wideGap     = 8  // the same after a bare ~
	usualNear   = 8  // words between two parts
	maxElements = 12 // elements of one pattern
)

// A pattern is one line of a rule or a silence: parts that stand near each
// other in any order, each a sequence of elements.
type pattern struct {
	parts   []part // the one that is looked up first stands first
	key     int    // element of parts[0] that is looked up
	needs   []int32
	nowhere []int32 // concepts that must not stand in the message,
	apart   []int32 // in the sentence,
	inside  []int32 // or between the first and the last element
	firm    bool    // says a negation itself, so that none can deny it
	lang    uint32  // at least one word of its language is in every match

	rule    *rule    // what it raises,
	silence *silence // or what it quiets
	atom    int32    // its number among those that only count together, or -1
}

// A part is a sequence of elements.
type part struct {
	elems  []element
	begins bool  // stands at the begin of a phrase
	before int32 // the word before must not stand for it, or -1
	near   int   // words between it and the first part at most
	reach  int   // tokens from its first to the start of its last element at most
}

// An element is one concept of a sequence.
type element struct {
	concept int32
	gap     int   // words between it and the element before at most
	after   int32 // the word after must not stand for it, or -1
	ends    bool  // stands at the end of a phrase
}

// A far pattern is a set of patterns that count when all are in the message.
type far struct {
	rule  *rule
	atoms []int32
}

// A compiler turns lines into patterns, with concepts of its lexicon.
type compiler struct {
	lex   *lexicon
	lang  int
	words []map[string]string // each language's concepts, as written
	line  string
	err   error // the first fault of the line

	all []*pattern // of the line, one for each && part
	cur part
	gap int
}

// compile reads one line: parts joined by & (near) or && (anywhere in the
// message). It returns one pattern for each && part.
func (c *compiler) compile(line string) ([]*pattern, error) {
	c.line, c.err, c.all = line, nil, nil
	c.open()
	c.begin(usualNear)
	for field := range strings.FieldsSeq(line) {
		switch {
		case field == "&&":
			c.end()
			c.open()
			c.begin(usualNear)
		case field[0] == '&':
			c.end()
			c.begin(c.number(field[1:], usualNear))
		case field[0] == '~':
			c.gap = c.number(field[1:], wideGap)
		case field == "+":
			c.gap = 0
		case field == "<":
			c.cur.begins = true
		case field == ">" && len(c.cur.elems) > 0:
			c.cur.elems[len(c.cur.elems)-1].ends = true
		default:
			c.element(field)
			c.gap = usualGap
		}
	}
	c.end()
	return c.all, c.err
}

func (c *compiler) fault(format string, args ...any) {
	if c.err == nil {
		c.err = fmt.Errorf("%q: %s", c.line, fmt.Sprintf(format, args...))
	}
}

func (c *compiler) open() { c.all = append(c.all, &pattern{atom: -1, lang: 1 << c.lang}) }

func (c *compiler) begin(near int) { c.cur, c.gap = part{before: -1, near: near}, usualGap }

// end closes the open part.
func (c *compiler) end() {
	p := c.all[len(c.all)-1]
	for i, e := range c.cur.elems {
		p.needs = append(p.needs, e.concept)
		if i > 0 {
			c.cur.reach += e.gap + 4
		}
	}
	if len(c.cur.elems) == 0 {
		c.fault("a part has no word; take the extra & out")
	}
	if len(p.needs) > maxElements {
		c.fault("%d elements, and %d is the most; make it two lines", len(p.needs), maxElements)
	}
	p.parts = append(p.parts, c.cur)
}

func (c *compiler) number(s string, usual int) int {
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 0 || n > 20 {
		c.fault("%q is not a number of words from 0 to 20", s)
	}
	return n
}

// element adds what one field says to the open part or its pattern.
func (c *compiler) element(field string) {
	mark := field[0]
	concept := c.alternatives(strings.TrimLeft(field, "-!^"))
	p, last := c.all[len(c.all)-1], len(c.cur.elems)-1
	switch {
	case strings.HasPrefix(field, "--"):
		p.nowhere = append(p.nowhere, concept)
	case mark == '-':
		p.apart = append(p.apart, concept)
	case mark == '!':
		p.inside = append(p.inside, concept)
	case mark == '^' && last < 0:
		c.cur.before = concept
	case mark == '^':
		c.cur.elems[last].after = concept
	default:
		c.cur.elems = append(c.cur.elems, element{concept: concept, gap: c.gap, after: -1})
	}
}

// alternatives returns the concept of a field such as cold|@blue|stone_cold.
func (c *compiler) alternatives(field string) int32 {
	if name, ok := strings.CutPrefix(field, "@"); ok && !strings.Contains(name, "|") {
		return c.named(name)
	}
	name := c.lex.langs[c.lang] + ":" + field
	if id, ok := c.lex.names[name]; ok {
		return id
	}
	id := c.lex.concept(name)
	for alt := range strings.SplitSeq(field, "|") {
		if named, ok := strings.CutPrefix(alt, "@"); ok {
			c.lex.takeIn(c.named(named), id, ^uint32(0))
		} else {
			c.teach(strings.ReplaceAll(alt, "_", " "), id)
		}
	}
	return id
}

// named returns the concept with a name that the words of the language have.
func (c *compiler) named(name string) int32 {
	if _, ok := c.words[c.lang][name]; !ok {
		c.fault("no concept @%s in [words] of %q; add it or correct the name", name, c.lex.langs[c.lang])
	}
	return c.lex.concept(name)
}

// define lets the words of a list stand for a concept.
func (c *compiler) define(name, text string) error {
	c.line, c.err = "@"+name, nil
	id, langs := c.lex.concept(name), ^uint32(0)
	for lang, words := range c.words { // a concept of its own takes in the others' words too
		if _, shared := words[name]; shared && lang != c.lang {
			langs = 1 << c.lang
		}
	}
	n := 0
	for item := range itemsOf(text) {
		n++
		if sub, ok := strings.CutPrefix(item, "@"); ok {
			c.lex.takeIn(c.named(sub), id, langs)
		} else {
			c.teach(item, id)
		}
	}
	if n == 0 {
		c.fault("no words; write some or take it out")
	}
	return c.err
}

// teach lets an item stand for a concept. A colon cuts a stem from the name of
// its endings: sangr:ar is the stem with each ending of forms_ar, and - among
// these is the stem alone.
func (c *compiler) teach(item string, id int32) {
	stem, forms, inflected := strings.Cut(item, ":")
	forms, phrase, _ := strings.Cut(forms, " ")
	endings := "-"
	if inflected {
		if endings = c.words[c.lang]["forms_"+forms]; endings == "" {
			c.fault("%q has endings %q, and no forms_%s is in [words]; add it or correct the name", item, forms, forms)
		}
	}
	for ending := range itemsOf(endings) {
		if err := c.lex.teach(c.lang, strings.TrimSpace(stem+strings.TrimPrefix(ending, "-")+" "+phrase), id); err != nil {
			c.fault("%v", err)
		}
	}
}

// itemsOf yields the items of a list of words.
func itemsOf(text string) func(func(string) bool) {
	return func(yield func(string) bool) {
		for item := range strings.FieldsFuncSeq(text, func(r rune) bool { return r == ',' || r == '\n' }) {
			if item = strings.TrimSpace(item); item != "" && !yield(item) {
				return
			}
		}
	}
}

// lookUp chooses the element from which a pattern is tried: the one whose
// words stand in the fewest patterns, which are the rare ones.
func (p *pattern) lookUp(weights []int) {
	best, bestPart := -1, 0
	for i := range p.parts {
		for j, e := range p.parts[i].elems {
			if w := weights[e.concept]; best < 0 || w < best {
				best, bestPart, p.key = w, i, j
			}
		}
	}
	p.parts[0], p.parts[bestPart] = p.parts[bestPart], p.parts[0]
	p.parts[bestPart].near = max(p.parts[0].near, p.parts[bestPart].near)
	p.needs = sorted(slices.Clone(p.needs))
}
