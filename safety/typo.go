package safety

import "slices"

// shortestTypo is the length in bytes from which a word of the lexicon is
// recognised with one slip. Shorter words are too close to common ones.
const shortestTypo = 5

// typos finds the words one slip away from a token: one letter dropped, added,
// changed, or two neighbours swapped. It knows every word by the strings that
// are left when one letter is dropped, in a table of chains.
type typos struct {
	head []int32 // first link of each chain, by the low bits of the hash
	next []int32
	word []int32
}

// newTypos takes the words that are worth recognising with a slip.
func newTypos(entries []entry, worth func(*entry) bool) typos {
	t := typos{head: make([]int32, 1<<17), next: make([]int32, 0, 8*len(entries)), word: make([]int32, 0, 8*len(entries))}
	for w := range entries {
		if text := entries[w].text; len(text) >= shortestTypo && worth(&entries[w]) {
			for i := -1; i < len(text); i++ {
				t.put(hash(text, i), int32(w))
			}
		}
	}
	return t
}

func (t *typos) put(h uint64, w int32) {
	slot := h & uint64(len(t.head)-1)
	t.next, t.word = append(t.next, t.head[slot]), append(t.word, w)
	t.head[slot] = int32(len(t.word))
}

// find appends to found the words one slip from token, no more than limit.
func (t *typos) find(entries []entry, token []byte, langs uint32, found []int32, limit int) []int32 {
	if len(token) < shortestTypo-1 || len(token) > 24 {
		return found
	}
	start := len(found)
	for i := -1; i < len(token); i++ {
		slot := hash(token, i) & uint64(len(t.head)-1)
		for at := t.head[slot]; at > 0; at = t.next[at-1] {
			w := t.word[at-1]
			if entries[w].langs&langs == 0 || slices.Contains(found[start:], w) || !oneSlip(entries[w].text, token) {
				continue
			}
			if found = append(found, w); len(found)-start == limit {
				return found
			}
		}
	}
	return found
}

// hash is FNV-1a over text without its byte at skip.
func hash[T string | []byte](text T, skip int) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(text) {
		if i != skip {
			h = (h ^ uint64(text[i])) * 1099511628211
		}
	}
	return h
}

// oneSlip reports whether a and b differ by one letter or one swap.
func oneSlip(a string, b []byte) bool {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	ra, rb := a[i:], string(b[i:])
	switch len(ra) - len(rb) {
	case 1:
		return ra[1:] == rb
	case -1:
		return ra == rb[1:]
	case 0:
		return ra != "" && (ra[1:] == rb[1:] ||
			len(ra) > 1 && ra[0] == rb[1] && ra[1] == rb[0] && ra[2:] == rb[2:])
	}
	return false
}
