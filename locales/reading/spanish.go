package reading

import "strings"

// The vowels of Spanish. A written accent on a closed vowel parts it from its
// neighbour; a dieresis only says that the u is spoken.
const (
	openVowels   = "aeoáéó"
	closedVowels = "iuü"
	partedVowels = "íú"
)

// Spanish counts the syllables of a Spanish word: one for each vowel, less one
// for each pair that is spoken as one (Ortografía de la lengua española, 2010:
// an open and an unaccented closed vowel, or two different closed ones). An h
// between vowels parts nothing; the u of que, qui, gue and gui is not spoken.
// A number counts as one.
func Spanish(word string) int {
	if number(word) {
		return 1
	}
	n := 0
	for part := range strings.FieldsFuncSeq(word, func(r rune) bool { return r == '-' }) {
		n += spanishPart([]rune(part))
	}
	return max(n, 1)
}

func spanishPart(w []rune) int {
	w = spoken(w)
	n := 0
	var last rune // the vowel before, if it is still the same group
	for i, r := range w {
		switch {
		case !vowel(r):
			if r != 'h' || i == 0 || !vowel(w[i-1]) {
				last = 0
			}
		case last != 0 && together(last, r):
			last = joinVowel(last, r)
		default:
			n++
			last = r
		}
	}
	return n
}

// spoken drops the u that is not spoken, and makes y a vowel where it is one.
func spoken(w []rune) []rune {
	var out []rune
	for i, r := range w {
		next := rune(0)
		if i+1 < len(w) {
			next = w[i+1]
		}
		switch {
		case r == 'u' && i > 0 && (w[i-1] == 'q' || w[i-1] == 'g') && strings.ContainsRune("eiéí", next) && next != 0:
			continue
		case r == 'y' && (next == 0 || !vowel(next)):
			r = 'i'
		}
		out = append(out, r)
	}
	return out
}

func vowel(r rune) bool { return strings.ContainsRune(openVowels+closedVowels+partedVowels, r) }

// together reports whether two neighbours are one syllable.
func together(a, b rune) bool {
	open := func(r rune) bool { return strings.ContainsRune(openVowels, r) }
	closed := func(r rune) bool { return strings.ContainsRune(closedVowels, r) }
	plain := strings.NewReplacer("ü", "u", "í", "i", "ú", "u")
	switch {
	case open(a) && open(b):
		return false
	case closed(a) && (open(b) || closed(b)), open(a) && closed(b):
		return plain.Replace(string(a)) != plain.Replace(string(b))
	case closed(a): // b carries an accent: "cuídate", "lingüística"
		return plain.Replace(string(a)) != plain.Replace(string(b))
	}
	return false
}

// joinVowel says what a group ends with: a diphthong that has its open vowel
// takes one more closed vowel (triphthong), and no further open one.
func joinVowel(a, b rune) rune {
	if strings.ContainsRune(openVowels, a) {
		return a
	}
	return b
}
