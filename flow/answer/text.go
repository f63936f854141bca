package answer

import (
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// maxTokens is the longest reply that is read. A longer one is a story, not an
// answer; the flow asks again, and nothing is guessed.
const maxTokens = 300

// A token is one word, number or sign of a reply.
type token struct {
	word  string  // lower case, no accents, no apostrophes; the digits of a number as written
	raw   string  // lower case with its accents
	alt   string  // the word that a misspelling stands for, or empty
	num   float64 // the value where isNum
	isNum bool
	digit bool // written in digits, not as a word
	soft  bool // a word for one that is often no number ("one", "un")
	sign  bool // punctuation, a clause may end here
	glued bool // no space between this token and the one before
}

// said reports whether the token is the word w of a phrase, as written or as
// corrected; "=w" asks for its accents too, "w*" for its beginning.
func (t token) said(w string) bool {
	if exact, ok := strings.CutPrefix(w, "="); ok {
		return t.raw == exact
	}
	if start, ok := strings.CutSuffix(w, "*"); ok && start != "" {
		return !t.sign && strings.HasPrefix(t.word, start)
	}
	return t.word == w || t.alt == w
}

// ends reports whether the token ends a clause.
func (t token) ends() bool {
	return t.sign && strings.Contains(",.;:!?()…\n—", t.word)
}

// stops reports whether the token ends a sentence.
func (t token) stops() bool { return t.sign && strings.Contains(".;!?…\n", t.word) }

var tidy = strings.NewReplacer("’", "'", "‘", "'", "´", "'", "`", "'", "′", "'", "″", `"`, "“", `"`, "”", `"`,
	"½", " 1/2 ", "¼", " 1/4 ", "¾", " 3/4 ", "–", "-", "−", "-", "~", "-", "''", `"`, "\ufe0f", "", "\u20e3", "", "\u200d", "", "🔟", "10")

// fold brings a word to the form in which phrases are kept.
func fold(s string) string {
	var b strings.Builder
	for _, r := range norm.NFD.String(strings.ToLower(s)) {
		if !unicode.Is(unicode.Mn, r) && r != '\'' {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// split cuts a reply into tokens, in one pass. It returns nil for a reply that
// is too long to be an answer.
func split(text string) []token {
	if len(text) > 16*maxTokens {
		return nil
	}
	rs := []rune(norm.NFKC.String(tidy.Replace(strings.ToLower(text))))
	var out []token
	spaced := true
	for i := 0; i < len(rs); {
		r := rs[i]
		switch {
		case unicode.IsDigit(r):
			j := numberEnd(rs, i)
			out = append(out, numberToken(string(rs[i:j])))
			i = j
		case unicode.IsLetter(r):
			j := wordEnd(rs, i)
			raw := strings.TrimRight(string(rs[i:j]), "'")
			out = append(out, token{word: fold(raw), raw: raw})
			i = i + len([]rune(raw))
		case unicode.IsSpace(r) && r != '\n', unicode.Is(unicode.Mn, r), skinTone(r), hyphen(rs, i):
			spaced = spaced || unicode.IsSpace(r) || r == '-'
			i++
			continue
		default:
			out = append(out, signToken(rs, i))
			i++
		}
		out[len(out)-1].glued = !spaced
		spaced = false
		if len(out) > maxTokens {
			return nil
		}
	}
	return out
}

// numberEnd returns where the number that starts at i ends: digits, and one
// decimal part after a point or a comma.
func numberEnd(rs []rune, i int) int {
	digits := func(k int) int {
		for k < len(rs) && unicode.IsDigit(rs[k]) {
			k++
		}
		return k
	}
	j := digits(i)
	if j+1 < len(rs) && (rs[j] == '.' || rs[j] == ',') && unicode.IsDigit(rs[j+1]) {
		if k := digits(j + 1); k-j <= 3 {
			return k
		}
	}
	return j
}

func wordEnd(rs []rune, i int) int {
	for i < len(rs) && (unicode.IsLetter(rs[i]) || unicode.Is(unicode.Mn, rs[i]) || rs[i] == '\'') {
		i++
	}
	return i
}

// hyphen reports whether a hyphen joins two words, as in "twenty-six".
func hyphen(rs []rune, i int) bool {
	return rs[i] == '-' && i > 0 && i+1 < len(rs) && unicode.IsLetter(rs[i-1]) && unicode.IsLetter(rs[i+1])
}

func skinTone(r rune) bool { return r >= 0x1F3FB && r <= 0x1F3FF }

// numberToken reads digits with an optional decimal part.
func numberToken(s string) token {
	t := token{word: s, raw: s, isNum: true, digit: true}
	place := 0.0
	for _, r := range s {
		switch {
		case r == '.' || r == ',':
			place = 1
		case place > 0:
			place /= 10
			t.num += float64(unicode.To(unicode.LowerCase, r)-'0') * place
		default:
			t.num = t.num*10 + float64(r-'0')
		}
	}
	return t
}

// signToken makes a token of one sign. A hyphen between spaces is a dash.
func signToken(rs []rune, i int) token {
	r := rs[i]
	if unicode.IsSymbol(r) && r > 0x2000 {
		return token{word: string(r), raw: string(r)} // an emoji is a word
	}
	if r == '-' && i > 0 && rs[i-1] == ' ' && i+1 < len(rs) && rs[i+1] == ' ' {
		r = '—'
	}
	return token{word: string(r), raw: string(r), sign: true}
}

// squeeze writes every run of more than n equal letters as n of them.
func squeeze(w string, n int) string {
	var b strings.Builder
	var last rune
	run := 0
	for _, r := range w {
		if r != last {
			run = 0
		}
		last = r
		if run++; run <= n {
			b.WriteRune(r)
		}
	}
	return b.String()
}
