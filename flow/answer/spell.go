package answer

import "slices"

// correct returns ts with the words that nobody knows tied to the word of the
// vocabulary that they most likely stand for. Known words are never touched:
// "light" is not "right".
func correct(ts []token, known func(string) bool, vocab []string) []token {
	out := slices.Clone(ts)
	for i := range out {
		t := &out[i]
		if t.sign || t.digit || known(t.word) {
			continue
		}
		t.alt = nearest(t.word, known, vocab)
	}
	return out
}

// nearest finds the word that w stands for: one with fewer repeated letters,
// or the only one of the vocabulary that is closest and close enough.
func nearest(w string, known func(string) bool, vocab []string) string {
	for n := 2; n > 0; n-- {
		if s := squeeze(w, n); s != w && known(s) {
			return s
		}
	}
	w = squeeze(w, 2)
	limit := reach(w)
	if limit == 0 {
		return ""
	}
	best, found, tied := limit+1, "", false
	for _, v := range vocab {
		if d := len(v) - len(w); d > limit || -d > limit || reach(v) == 0 || !sameStart(v, w) {
			continue
		}
		switch d := distance(w, v, best); {
		case d < best:
			best, found, tied = d, v, false
		case d == best && d <= limit && v != found:
			tied = true
		}
	}
	if tied || best > limit {
		return ""
	}
	return found
}

// reach is how many slips a word of this length may carry.
func reach(w string) int {
	switch n := len(w); {
	case n < 4 || n > 24:
		return 0
	case n < 8:
		return 1
	}
	return 2
}

// sameStart reports whether two words begin alike, or with two letters swapped.
func sameStart(a, b string) bool {
	return a[0] == b[0] || (len(a) > 1 && len(b) > 1 && a[0] == b[1] && a[1] == b[0])
}

// distance counts the slips between two words: a letter too many, too few,
// another, or two neighbours swapped (optimal string alignment, Damerau 1964).
// It gives up above limit.
func distance(a, b string, limit int) int {
	two, one, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range one {
		one[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		low := i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(one[j]+1, row[j-1]+1, one[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], two[j-2]+1)
			}
			low = min(low, row[j])
		}
		if low > limit {
			return limit + 1
		}
		two, one, row = one, row, two
	}
	return one[len(b)]
}
