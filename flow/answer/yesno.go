package answer

import (
	"slices"

	"turnstone/care"
)

// yesNo reads yes, no or unsure. "some" is a degree (yes), "so" a statement
// that affirms, "not" one that denies, "faint" a weak no, unless something
// affirms before it; "firm" is a word that strengthens either, and a yes alone. A hedge is unsure. Where an answer and a statement beside
// it disagree and nothing tells which holds, it is unsure too, so that yes and
// no are never swapped.
func (l *language) yesNo(ts []token) (string, verdict) {
	answers := labelled("yes", "no", "firm", "some", "so", "not", "faint", "unsure")
	all := l.found("yesno", ts)
	ms, withdrawn := settleWords(all, ts, answers)
	if withdrawn {
		return "", rejected
	}
	if have(ms, "unsure") {
		return care.Unsure, read
	}
	var plain, loose []mark
	for _, m := range ms {
		switch {
		case m.with("yes", "no"):
			plain = append(plain, m)
		case m.label == "faint" && have(ms, "yes", "some", "so") && (have(loose, "some", "so") || have(plain, "yes")):
		case m.with("some", "so", "not", "faint"):
			loose = append(loose, m)
		}
	}
	switch {
	case len(plain) > 0:
		return plainWord(plain, loose, ms), read
	case len(loose) > 0:
		return looseWord(loose, ms), read
	case have(ms, "firm"):
		return care.Yes, read
	case have(all, "ask", "pass"):
		return "", rejected
	}
	return "", nothing
}

// plainWord decides among plain answers: the last one, unless a statement of
// degree or an agreement contradicts it.
func plainWord(plain, loose, ms []mark) string {
	last := plain[len(plain)-1]
	turns := func(m mark) bool {
		return slices.ContainsFunc(ms, func(t mark) bool { return t.with("turn", "now") && m.from < t.from && t.from < last.to })
	}
	if plain[0].label == "yes" && last.label == "no" && !turns(plain[0]) {
		return care.Unsure // "yes. sorry, I cannot turn the capitals off"
	}
	for _, m := range loose {
		switch {
		case turns(m), m.to == last.from: // "I have | none"
		case last.label == "no" && m.label == "some" && len(plain) == 1,
			last.label == "yes" && m.label == "not" && m.from < last.from && len(plain) == 1,
			last.label == "no" && m.with("some", "so") && m.from < last.from && len(plain) == 1:
			return care.Unsure
		}
	}
	return last.label
}

// looseWord decides among statements: the first, or the last after a turn such
// as "but" where one of now follows.
func looseWord(loose, ms []mark) string {
	m := loose[0]
	if have(ms, "now") {
		m = loose[len(loose)-1]
	}
	if m.with("some", "so") {
		return care.Yes
	}
	return care.No
}

// consent reads a plain yes or no. Conditions, delays, doubts and questions
// are no answer.
func (l *language) consent(ts []token) (string, verdict) {
	all := l.found("consent", ts)
	ms, withdrawn := settleWords(all, ts, labelled("yes", "no"))
	asks := have(all, "ask") || asking(ts)
	part := parts(ms, ts)
	ms = slices.DeleteFunc(slices.Clone(ms), func(m mark) bool {
		return m.label == "yes" && slices.ContainsFunc(ms, func(k mark) bool {
			return k.label == "no" && k.from < m.from && part[k.from] == part[m.from] // "I don't | agree"
		})
	})
	yes, no := have(ms, "yes"), have(ms, "no")
	switch {
	case withdrawn || asks || have(ms, "hold"):
		return "", rejected
	case yes && no && have(all, "fix", "undo"):
		last := slices.IndexFunc(ms, labelled("yes", "no"))
		for i, m := range ms {
			if m.with("yes", "no") {
				last = i
			}
		}
		return ms[last].label, read
	case yes && no:
		return "", rejected
	case yes:
		return care.Yes, read
	case no:
		return care.No, read
	}
	return "", nothing
}

func asking(ts []token) bool {
	for _, t := range ts {
		if t.sign && (t.word == "?" || t.word == "¿") {
			return true
		}
	}
	return false
}

// better reads how things have changed: better, same or worse. A verdict on
// the whole outweighs its parts.
func (l *language) better(ts []token) (string, verdict) {
	answers := labelled("better", "same", "worse")
	all := l.found("better", ts)
	ms, withdrawn := settleWords(all, ts, answers)
	if withdrawn {
		return "", rejected
	}
	got := map[string]bool{}
	for i, m := range ms {
		if m.label == "verdict" {
			if rest := ms[i+1:]; have(rest, "better", "same", "worse") {
				got = map[string]bool{}
			} else if len(got) > 0 {
				break // the verdict stands at the end of its clause
			}
		}
		if answers(m) {
			got[m.label] = true
		}
	}
	switch {
	case got["better"] && got["worse"]:
		return "", rejected
	case got["better"]:
		return "better", read
	case got["worse"]:
		return "worse", read
	case got["same"]:
		return "same", read
	case have(all, "ask", "pass"):
		return "", rejected
	}
	return "", nothing
}
