// Package answer reads what a person types in answer to a question: yes or no,
// a number, a side, a moment, an age, a height, a choice. What it does not
// understand it does not guess. All words come from the language data given to
// Load; the package is pure and knows no clock.
package answer

import (
	"slices"
	"strings"
	"time"

	"turnstone/care"
)

// A Reader reads answers in every loaded language. It is safe for use by many
// goroutines at once.
type Reader struct{ languages []*language }

// A Question is what an answer is read against.
type Question struct {
	Kind    care.Kind
	Locale  care.Locale // tried first; people mix languages, so the others follow
	At      time.Time   // now, in the person's zone
	Options []Option    // the choices that stand there, in order
}

// An Option is one choice. Words are further ways to say it, in any language;
// Said are whole phrases that mean it in answer to this question.
type Option struct {
	Value, Label string
	Words        []string
	Said         []string
}

// A Reading is what was understood. Values is nil where OK is false.
type Reading struct {
	Values []string // yes, no, unsure, none, a whole number, an ISO 8601 duration, option values
	Skip   bool     // the person wants to skip the question; OK is false then
	OK     bool
}

// verdict says how sure a reader of one language is.
type verdict int

const (
	nothing  verdict = iota // no word of an answer: another language may know more
	rejected                // words of an answer that amount to none
	read                    // an answer
)

// Read reads text as an answer to q.
func (r *Reader) Read(q Question, text string) Reading {
	raw := split(text)
	for _, l := range r.order(q.Locale, raw) {
		if l.skips(raw) {
			return Reading{Skip: true}
		}
		switch vals, v := l.read(q, raw); v {
		case read:
			return Reading{Values: vals, OK: true}
		case rejected:
			return Reading{}
		}
	}
	return Reading{}
}

// order lists the languages that may read a reply: those that know at least
// half of its words, best first, the preferred one first where they are equal.
func (r *Reader) order(prefer care.Locale, ts []token) []*language {
	words := 0
	know := map[*language]int{}
	for _, t := range ts {
		if t.sign || t.digit {
			continue
		}
		words++
		for _, l := range r.languages {
			if l.known[t.word] || (squeeze(t.word, 2) != t.word && (l.known[squeeze(t.word, 2)] || l.known[squeeze(t.word, 1)])) {
				know[l]++
			}
		}
	}
	out := slices.Clone(r.languages)
	slices.SortStableFunc(out, func(a, b *language) int {
		if d := know[b] - know[a]; d != 0 {
			return d
		}
		return rank(b.name == prefer) - rank(a.name == prefer)
	})
	return slices.DeleteFunc(out, func(l *language) bool {
		best := know[out[0]]
		return l != out[0] && know[l] < best && (best == words || l.name != prefer && 2*know[l] <= words)
	})
}

func rank(b bool) int {
	if b {
		return 1
	}
	return 0
}

// read reads a reply in one language.
func (l *language) read(q Question, raw []token) ([]string, verdict) {
	if len(raw) == 0 {
		return nil, nothing
	}
	one := func(s string, v verdict) ([]string, verdict) { return []string{s}, v }
	switch q.Kind {
	case care.YesNo, care.OneOf, care.AnyOf, care.Several, care.Consent:
		if s, v := l.ownWords(q, raw); v != nothing {
			return one(s, v)
		}
	}
	switch q.Kind {
	case care.YesNo:
		return one(l.yesNo(l.prepare("yesno", raw)))
	case care.Consent:
		return one(l.consent(l.prepare("consent", raw)))
	case care.Scale:
		return one(l.scale(l.prepare("scale", raw)))
	case care.Age:
		return one(l.age(l.prepare("age", raw), q.At))
	case care.Since:
		return one(l.since(l.prepare("since", raw), q.At))
	case care.Height:
		return one(l.height(l.prepare("height", raw)))
	case care.OneOf, care.NextOf, kindSide, kindBetter:
		return one(l.oneOf(q, raw))
	case care.AnyOf:
		return l.groupOf(q, raw)
	case care.Several:
		return l.someOf(q, raw)
	}
	return nil, nothing
}

// prepare corrects the words of a reply towards those of a section, and joins
// number words.
func (l *language) prepare(section string, raw []token) []token {
	return l.numbers.merge(correct(raw, l.knows, l.books[section].vocab))
}

func (l *language) knows(w string) bool { return l.known[w] }

// ReadKind reads one answer by the name of its kind: yesno, scale0to10, side,
// when_injured, age_years, height, consent, better_same_worse or choice, whose
// text is "options: a|b|c ;; reply". It answers the value, or "none".
func (r *Reader) ReadKind(kind string, locale care.Locale, at time.Time, text string) string {
	q := Question{Locale: locale, At: at, Kind: kinds[kind]}
	switch kind {
	case "side":
		q.Options = options("left", "right", "both")
	case "better_same_worse":
		q.Options = options("better", "same", "worse")
	case "choice":
		list, reply, ok := strings.Cut(text, ";;")
		if !ok {
			return care.None
		}
		list = strings.TrimPrefix(strings.TrimSpace(list), "options:")
		text = reply
		for o := range strings.SplitSeq(list, "|") {
			q.Options = append(q.Options, options(strings.TrimSpace(o))...)
		}
	}
	if got := r.Read(q, text); got.OK {
		return got.Values[0]
	}
	return care.None
}

var kinds = map[string]care.Kind{
	"yesno": care.YesNo, "scale0to10": care.Scale, "side": kindSide, "when_injured": care.Since, "age_years": care.Age,
	"height": care.Height, "consent": care.Consent, "better_same_worse": kindBetter, "choice": care.OneOf,
}

func options(values ...string) []Option {
	var out []Option
	for _, v := range values {
		out = append(out, Option{Value: v, Label: v})
	}
	return out
}
