package safety

import (
	"strconv"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// A gap says what stands between a token and the one before it.
type gap uint8

// The gaps, weakest first. Joiners and turns are words, and named in the lexicon.
const (
	noGap    gap = iota
	joinGap      // a joining word
	commaGap     // comma, bracket, dash, colon, dots
	turnGap      // a word that turns the talk
	stopGap      // end of a sentence
)

// A token is one folded word, number or symbol of a text.
type token struct {
	from, to int     // bytes of the original text
	lo, hi   int     // bytes of reading.fold
	head     int     // bytes of fold before the first apostrophe, or 0
	number   float64 // its value, or -1
	gap      gap
	sign     bool // an emoji or another sign, not a word
}

// maxNumber is the longest run of digits that is read as a number.
const maxNumber = 12

// tokenise folds text and cuts it into tokens: no case, no marks, no hidden
// characters, one letter for letters that look alike. It never fails: what is
// not UTF-8 counts as a space.
func (r *reading) tokenise(text string) {
	r.fold, r.tokens, r.next, r.point = r.fold[:0], r.tokens[:0], stopGap, noGap
	for i := 0; i < len(text); {
		c, size := rune(text[i]), 1
		if c >= utf8.RuneSelf {
			c, size = utf8.DecodeRuneInString(text[i:])
		}
		switch {
		case c < utf8.RuneSelf:
			r.ascii(i, byteAt(text, i-1), byte(c), byteAt(text, i+1))
		case c == utf8.RuneError && size == 1:
			r.endWord(i)
		default:
			r.wide(text, i, size, c)
		}
		i += size
	}
	r.endWord(len(text))
}

// ascii takes one ASCII character at byte i, which stands between two bytes.
func (r *reading) ascii(i int, prev, c, next byte) {
	switch {
	case c >= 'a' && c <= 'z':
		r.letter(i, rune(c))
	case c >= 'A' && c <= 'Z':
		r.letter(i, rune(c+'a'-'A'))
	case c >= '0' && c <= '9':
		r.digit(i, c)
	case c == '\'' || c == '`':
		r.apostrophe()
	case c == '.' && r.inNumber && r.point == noGap:
		r.point = stopGap
	case c == ',' && r.inNumber && r.point == noGap:
		r.point = commaGap
	case c == '.' && (next == '.' || prev == '.'):
		r.breakAt(i, commaGap)
	case c == '.' || c == '!' || c == '?' || c == '\n':
		r.breakAt(i, stopGap)
	case c == ',' || c == ';' || c == ':' || c == '(' || c == ')':
		r.breakAt(i, commaGap)
	case c == '-' && (prev == 0 || prev == ' ' || prev == '-'):
		r.breakAt(i, commaGap)
	case c == '&' || c == '+' || c == '%' || c == '<' || c == '>' || c == '=':
		r.symbol(i, i+1, rune(c))
	default:
		r.endWord(i)
	}
}

// byteAt is the byte of text at i, or 0 beyond its ends.
func byteAt(text string, i int) byte {
	if i < 0 || i >= len(text) {
		return 0
	}
	return text[i]
}

// wide takes one rune beyond ASCII.
func (r *reading) wide(text string, i, size int, c rune) {
	switch {
	case r.latin(i, c):
	case isApostrophe(c):
		r.apostrophe()
	case hidden(c):
	case unicode.Is(unicode.Mn, c):
	case c == '…' || c == '–' || c == '—' || c == '，' || c == '、' || c == '،':
		r.breakAt(i, commaGap)
	case c == '¿' || c == '¡' || c == '。' || c == '！' || c == '？' || c == '؟' || c == '\u2028':
		r.breakAt(i, stopGap)
	default:
		r.decomposed(text, i, size, c)
	}
}

// decomposed takes a rune apart into plain letters, digits and symbols.
func (r *reading) decomposed(text string, i, size int, c rune) {
	parts := norm.NFKD.PropertiesString(text[i : i+size]).Decomposition()
	if len(parts) == 0 {
		r.plain(i, i+size, c)
		return
	}
	for len(parts) > 0 {
		d, n := utf8.DecodeRune(parts)
		parts = parts[n:]
		if d < utf8.RuneSelf {
			r.ascii(i, 'x', byte(d), 0)
		} else if !unicode.Is(unicode.Mn, d) {
			r.plain(i, i+size, d)
		}
	}
}

// plain takes a rune that has no simpler form.
func (r *reading) plain(i, end int, c rune) {
	switch {
	case r.latin(i, c):
	case unicode.In(c, unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Thai):
		r.symbol(i, end, c)
	case unicode.IsLetter(c):
		r.letter(i, unicode.ToLower(c))
	case unicode.IsSymbol(c):
		r.symbol(i, end, c)
	default:
		r.endWord(i)
	}
}

// latin takes a letter that looks like Latin ones.
func (r *reading) latin(i int, c rune) bool {
	letters, ok := alike[c]
	for _, l := range letters {
		r.letter(i, l)
	}
	return ok
}

func (r *reading) letter(i int, c rune) {
	if !r.inWord || r.inNumber {
		r.endWord(i)
		r.startWord(i)
	}
	r.fold = utf8.AppendRune(r.fold, c)
}

func (r *reading) digit(i int, c byte) {
	if !r.inWord {
		r.startWord(i)
		r.inNumber = true
	}
	if r.point != noGap { // so it was a decimal point
		r.fold = append(r.fold, '.')
		r.point = noGap
	}
	r.fold = append(r.fold, c)
}

func (r *reading) apostrophe() {
	if !r.inWord || r.inNumber {
		return
	}
	if t := &r.tokens[len(r.tokens)-1]; t.head == 0 {
		t.head = len(r.fold) - t.lo
	}
}

func (r *reading) startWord(i int) {
	r.inWord = true
	r.tokens = append(r.tokens, token{from: i, lo: len(r.fold), number: -1, gap: r.next})
	r.next = noGap
}

// endWord closes the word that is open, if one is.
func (r *reading) endWord(i int) {
	if !r.inWord {
		return
	}
	t := &r.tokens[len(r.tokens)-1]
	t.to, t.hi = i, len(r.fold)
	if r.inNumber && t.hi-t.lo <= maxNumber {
		if v, err := strconv.ParseFloat(string(r.fold[t.lo:t.hi]), 64); err == nil {
			t.number = v
		}
	}
	if t.head == t.hi-t.lo {
		t.head = 0
	}
	r.next = max(r.next, r.point)
	r.inWord, r.inNumber, r.point = false, false, noGap
}

// breakAt ends the word and says what stands before the next one.
func (r *reading) breakAt(i int, g gap) {
	r.endWord(i)
	r.next = max(r.next, g)
}

// symbol is a token of one rune: an emoji, a sign, a letter of a script
// that writes no spaces.
func (r *reading) symbol(i, end int, c rune) {
	r.endWord(i)
	r.startWord(i)
	r.tokens[len(r.tokens)-1].sign = true
	r.fold = utf8.AppendRune(r.fold, c)
	r.endWord(end)
}

func isApostrophe(c rune) bool {
	return c == '’' || c == '‘' || c == 'ʼ' || c == '´' || c == '′' || c == '＇'
}

// hidden reports characters that leave no ink, and skin tones.
func hidden(c rune) bool {
	return unicode.Is(unicode.Cf, c) || c >= 0x1F3FB && c <= 0x1F3FF ||
		c == 0x115F || c == 0x1160 || c == 0x3164 || c == 0xFFA0 || c == 0x2800
}

// alike maps letters of other scripts to the Latin letter that they are
// mistaken for, and Latin letters without a decomposition to plain ones. A
// word in its own script keeps at least one letter outside this table, as a
// rule, and so stays unknown.
var alike = map[rune]string{
	'а': "a", 'е': "e", 'о': "o", 'р': "p", 'с': "c", 'у': "y", 'х': "x", 'і': "i", 'ј': "j", 'ѕ': "s", 'һ': "h", 'ԁ': "d", 'ԛ': "q", 'ԝ': "w",
	'А': "a", 'В': "b", 'Е': "e", 'К': "k", 'М': "m", 'Н': "h", 'О': "o", 'Р': "p", 'С': "c", 'Т': "t", 'У': "y", 'Х': "x", 'І': "i", 'Ј': "j", 'Ѕ': "s",
	'α': "a", 'ο': "o", 'ν': "v", 'ρ': "p", 'ι': "i", 'κ': "k", 'τ': "t", 'υ': "u", 'ϲ': "c", 'ε': "e", 'η': "n",
	'Α': "a", 'Β': "b", 'Ε': "e", 'Ζ': "z", 'Η': "h", 'Ι': "i", 'Κ': "k", 'Μ': "m", 'Ν': "n", 'Ο': "o", 'Ρ': "p", 'Τ': "t", 'Υ': "y", 'Χ': "x",
	'ı': "i", 'ø': "o", 'Ø': "o", 'đ': "d", 'Đ': "d", 'ł': "l", 'Ł': "l", 'ß': "ss", 'æ': "ae", 'Æ': "ae", 'œ': "oe", 'Œ': "oe", 'ɑ': "a", 'ɡ': "g", 'ᴀ': "a",
}
