package reading

import (
	"regexp"
	"strings"
)

// oddWords are English words that the rules below count wrongly.
var oddWords = map[string]int{"area": 3, "being": 2, "chile": 2, "create": 2, "idea": 3, "maybe": 2, "people": 2, "react": 2}

var (
	vowelGroup = regexp.MustCompile(`[aeiouy]+`)
	silentEnd  = regexp.MustCompile(`([^aeiouylr]e|[^aeiouy]re|[aeiouy]le|[aeiouy]re|[aeiouyl]le)$`)
	silentPast = regexp.MustCompile(`[^aeioutdy]ed$|[aeiouy]red$`)
	silentMany = regexp.MustCompile(`[^aeiouyscxzgh]es$|[^cs]hes$|thes$`)
	moreVowels = regexp.MustCompile(`ia[^lnt]|ia$|io[^nu]|io$|iu|[^gq]ua[^rl]|eo[^u]|ying|ayi|oing|[aeiouy]ism|dien|riet|uing|eing`)
	silentStem = regexp.MustCompile(`[^aeiouy]e(ly|ful|less|ness|ment)$|^some[a-z]`)
	spokenNot  = regexp.MustCompile(`[^aeiouy]n$`)
	joinedTwo  = regexp.MustCompile(`tia|cia|sia|tio|sio|cio|gio|geo|xio|shia`)
)

// English counts the syllables of an English word by its letters: one for each
// group of vowels, less the silent endings, and more where two neighbours are
// spoken apart. A number counts as one.
func English(word string) int {
	if number(word) {
		return 1
	}
	n := 0
	for part := range strings.FieldsFuncSeq(word, func(r rune) bool { return r == '-' }) {
		n += englishPart(part)
	}
	return max(n, 1)
}

func englishPart(word string) int {
	word, tail, _ := strings.Cut(strings.ReplaceAll(word, "’", "'"), "'")
	more := 0
	if tail == "t" && spokenNot.MatchString(word) {
		more = 1 // didn't, isn't, doesn't
	}
	if n, ok := oddWords[word]; ok {
		return n + more
	}
	n := len(vowelGroup.FindAllString(word, -1))
	for _, silent := range []*regexp.Regexp{silentEnd, silentPast, silentMany} {
		if n > 1 && silent.MatchString(word) {
			n--
			break
		}
	}
	if n > 1 && silentStem.MatchString(word) {
		n--
	}
	if moreVowels.MatchString(word) && !joinedTwo.MatchString(word) {
		n++
	}
	return max(n, 1) + more
}
