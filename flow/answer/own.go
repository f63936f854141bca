package answer

import (
	"slices"

	"turnstone/care"
)

// ownWords reads a reply by the words that belong to this very question: "I
// walked home" is a yes to four steps, "not until I press" a sore bone. The
// longest phrase counts, unless it is denied. Where the plain reading says the
// opposite, also without the phrase ("no problem" is no no), the reply
// contradicts itself and is not read; not sure wins over both.
func (l *language) ownWords(q Question, raw []token) (string, verdict) {
	ts := l.prepare("choice", raw)
	best, at, value := 0, 0, ""
	for _, o := range q.Options {
		for _, words := range o.Said {
			phrase := split(words)
			for i := 0; i+len(phrase) <= len(ts); i++ {
				if len(phrase) > best && l.samePhrase(ts[i:i+len(phrase)], phrase) && !l.deniedAt(ts, i) {
					best, at, value = len(phrase), i, o.Value
				}
			}
		}
	}
	switch {
	case best == 0:
		return "", nothing
	case value == care.Unsure:
		return value, read
	case !l.plainExceptions(ts[at+best:], l.books["group"].scan(ts[at+best:])):
		return "", rejected
	}
	if q.Kind == care.YesNo && l.saysOther(raw, value) && l.saysOther(slices.Concat(ts[:at], ts[at+best:]), value) {
		return "", rejected
	}
	return value, read
}

// saysOther reports whether the plain reading of ts is the opposite of value.
func (l *language) saysOther(ts []token, value string) bool {
	plain, v := l.yesNo(l.prepare("yesno", ts))
	return v == read && plain != care.Unsure && plain != value
}

func (l *language) samePhrase(ts, phrase []token) bool {
	for i, p := range phrase {
		if ts[i].word != p.word && ts[i].alt != p.word {
			return false
		}
	}
	return len(phrase) > 0
}

// deniedAt reports a denial right before i, or one word before it.
func (l *language) deniedAt(ts []token, i int) bool {
	return slices.ContainsFunc(l.books["choice"].scan(ts[:i]), func(m mark) bool { return m.with("not") && i-m.to <= 1 && i >= m.to })
}
