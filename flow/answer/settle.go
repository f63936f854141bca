package answer

import "slices"

// found lists the marks of a section in a reply, with a mark "#" for each
// number that no phrase has taken, in order.
func (l *language) found(section string, ts []token) []mark {
	ms := l.books[section].scan(ts)
	var out []mark
	k := 0
	for i, t := range ts {
		for k < len(ms) && ms[k].to <= i {
			out = append(out, ms[k])
			k++
		}
		if t.isNum && (k == len(ms) || i < ms[k].from) {
			out = append(out, mark{label: "#", from: i, to: i + 1})
		}
	}
	return append(out, ms[k:]...)
}

// settle drops the marks of an answer that do not count: what was asked, what
// was taken back, and what was so earlier where something is said of now.
// withdrawn means that an answer was taken back and nothing stands for it.
func settle(ms []mark, ts []token, answers func(mark) bool) (kept []mark, withdrawn bool) {
	ms = dropAsked(ms, ts, answers, false)
	ms, withdrawn = afterFix(ms, answers)
	return dropThen(ms, ts, answers), withdrawn
}

// settleWords is settle for answers that are no numbers: in these a clause that
// ends in a question mark is a question, whereas "maybe 4?" is a number.
func settleWords(ms []mark, ts []token, answers func(mark) bool) (kept []mark, withdrawn bool) {
	ms = dropAsked(ms, ts, answers, true)
	ms, withdrawn = afterFix(ms, answers)
	return dropThen(ms, ts, answers), withdrawn
}

// afterFix keeps what follows the last correction that an answer follows. A
// "no" corrects where it stands between two answers.
func afterFix(ms []mark, answers func(mark) bool) (kept []mark, withdrawn bool) {
	later := false
	for i := len(ms) - 1; i >= 0; i-- {
		switch {
		case answers(ms[i]):
			later = true
		case ms[i].label == "undo" && !later:
			return nil, true
		case (ms[i].with("undo", "fix") || ms[i].label == "nay" && slices.ContainsFunc(ms[:i], answers)) && later:
			return ms[i+1:], false
		}
	}
	return ms, false
}

// dropAsked drops answers within a question: from the asking word to the end of
// the sentence, and with signs from the start of a clause that ends in "?".
func dropAsked(ms []mark, ts []token, answers func(mark) bool, signs bool) []mark {
	asked, signed := make([]bool, len(ts)+1), make([]bool, len(ts)+1)
	for _, m := range ms {
		if m.label == "ask" {
			for i := m.from; i < len(ts) && !ts[i].stops(); i++ {
				asked[i] = true
			}
		}
	}
	for i, t := range ts {
		if t.sign && t.word == "?" {
			for j := i - 1; signs && j >= 0 && !ts[j].ends() && !asked[j]; j-- {
				signed[j] = true
			}
		}
	}
	return slices.DeleteFunc(slices.Clone(ms), func(m mark) bool {
		return answers(m) && (asked[m.from] || signed[m.from] && m.label != "unsure")
	})
}

// dropThen drops what is said of earlier, where another part of the reply has
// an answer of its own.
func dropThen(ms []mark, ts []token, answers func(mark) bool) []mark {
	part := parts(ms, ts)
	past, now := map[int]bool{}, false
	for _, m := range ms {
		past[part[m.from]] = past[part[m.from]] || m.label == "then"
	}
	for _, m := range ms {
		now = now || (answers(m) && !past[part[m.from]])
	}
	if !now {
		return ms
	}
	return slices.DeleteFunc(slices.Clone(ms), func(m mark) bool { return answers(m) && past[part[m.from]] })
}

// parts numbers the parts of a reply: clauses, and what stands on either side
// of a "but" or a "now".
func parts(ms []mark, ts []token) []int {
	out := make([]int, len(ts)+1)
	cut := make([]bool, len(ts)+1)
	for _, m := range ms {
		cut[m.from] = cut[m.from] || m.label == "turn" || m.label == "now"
	}
	n := 0
	for i := range out {
		if i > 0 && (cut[i] || ts[i-1].ends()) {
			n++
		}
		out[i] = n
	}
	return out
}

// with reports whether a mark has one of the labels.
func (m mark) with(labels ...string) bool { return slices.Contains(labels, m.label) }

// have reports whether any mark has one of the labels.
func have(ms []mark, labels ...string) bool {
	return slices.ContainsFunc(ms, func(m mark) bool { return m.with(labels...) })
}

// labelled returns a test for marks with one of the labels.
func labelled(labels ...string) func(mark) bool {
	return func(m mark) bool { return m.with(labels...) }
}
