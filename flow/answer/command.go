package answer

import "turnstone/care"

// skips reports whether the whole reply asks to skip the question.
func (l *language) skips(raw []token) bool {
	c, ok := l.command(raw)
	return ok && c == care.CmdSkip
}

// Command reads a word that may be said at any moment. It must be nearly the
// whole message.
func (r *Reader) Command(text string, prefer care.Locale) (care.Command, bool) {
	raw := split(text)
	for _, l := range r.order(prefer, raw) {
		if c, ok := l.command(raw); ok {
			return c, true
		}
	}
	return "", false
}

// Language reads the name of a language, such as "English" or "en español",
// and returns its tag.
func (r *Reader) Language(text string) (care.Locale, bool) {
	raw := split(text)
	for _, l := range r.languages {
		ms := l.books["language"].scan(raw)
		if len(ms) > 0 && l.covered(raw, ms) {
			return care.Locale(ms[0].value), true
		}
	}
	return "", false
}

// command reads a command in one language.
func (l *language) command(raw []token) (care.Command, bool) {
	ts := correct(raw, l.knows, l.books["commands"].vocab)
	hits := l.books["commands"].scan(ts)
	if len(hits) == 0 {
		if ms := l.books["language"].scan(ts); len(ms) > 0 && l.covered(ts, ms) {
			return care.CmdLanguage, true
		}
		return "", false
	}
	if len(hits) > 1 && hits[0].label == string(care.CmdGreeting) {
		hits = hits[1:]
	}
	for _, h := range hits {
		if h.label != hits[0].label {
			return "", false
		}
	}
	return care.Command(hits[0].label), l.covered(ts, hits)
}

// covered reports whether marks and polite words make up all of a reply but
// one word, and that one only beside a longer command.
func (l *language) covered(ts []token, ms []mark) bool {
	taken := make([]bool, len(ts))
	said := 0
	for _, list := range [][]mark{l.books["polite"].scan(ts), ms} {
		for _, m := range list {
			for i := m.from; i < m.to; i++ {
				taken[i] = true
			}
		}
	}
	for _, m := range ms {
		said += m.to - m.from
	}
	over := 0
	for i, t := range ts {
		if !t.sign && !taken[i] {
			over++
		}
	}
	return over == 0 || (over == 1 && said >= 3)
}
