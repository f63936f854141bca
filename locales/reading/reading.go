// Package reading measures how hard a text is to read, in English and in
// Spanish. It is a tripwire for those who write sentences, not a proof that
// anybody understands them. It knows no files and no sentences.
package reading

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// Counts is what the formulas need of a text.
type Counts struct {
	Words     int
	Sentences int
	Syllables int // of the words in Measured
	Measured  int // words without those that are exempt
	Longest   int // words of the longest sentence
}

// A Syllables function counts the syllables of one word in lower case.
type Syllables func(word string) int

// Count counts a text. A line break ends a sentence, as a full stop does. A
// word that is exempt counts in the length of its sentence, but its syllables
// do not count: there is no shorter word for it.
func Count(text string, syllables Syllables, exempt map[string]bool) Counts {
	var c Counts
	for _, s := range Sentences(text) {
		words := Words(s)
		if len(words) == 0 {
			continue
		}
		c.Sentences++
		c.Words += len(words)
		c.Longest = max(c.Longest, len(words))
		for _, w := range words {
			if !exempt[w] {
				c.Measured++
				c.Syllables += syllables(w)
			}
		}
	}
	return c
}

// Sentences cuts a text at full stops, question and exclamation marks and line
// breaks. A point between digits ("1.70") cuts nothing.
func Sentences(text string) []string {
	var out []string
	start := 0
	runes := []rune(text)
	for i, r := range runes {
		end := r == '\n' || strings.ContainsRune(".?!…", r) && (i+1 == len(runes) || unicode.IsSpace(runes[i+1]))
		if end {
			out = append(out, strings.TrimSpace(string(runes[start:i+1])))
			start = i + 1
		}
	}
	out = append(out, strings.TrimSpace(string(runes[start:])))
	return compact(out)
}

// compact drops what holds no word.
func compact(in []string) []string {
	var out []string
	for _, s := range in {
		if len(Words(s)) > 0 {
			out = append(out, s)
		}
	}
	return out
}

// decimal finds the point or comma inside a number.
var decimal = regexp.MustCompile(`([0-9])[.,]([0-9])`)

// Words lists the words of a text in lower case. An apostrophe or a hyphen
// inside a word belongs to it; a number is a word.
func Words(text string) []string {
	text = decimal.ReplaceAllString(strings.ToLower(text), "$1$2")
	pieces := strings.FieldsFunc(text, func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !unicode.Is(unicode.Mn, r) && !strings.ContainsRune("'’-", r)
	})
	for i, p := range pieces {
		pieces[i] = strings.Trim(p, "'’-")
	}
	return slices.DeleteFunc(pieces, func(p string) bool { return p == "" })
}

// perSentence and perWord are the two ratios of all formulas.
func (c Counts) perSentence() float64 { return float64(c.Words) / float64(max(c.Sentences, 1)) }

func (c Counts) perWord() float64 {
	if c.Measured == 0 {
		return 1 // nothing but exempt words: the easiest there is
	}
	return float64(c.Syllables) / float64(c.Measured)
}

// FleschKincaid returns the school grade of an English text (Kincaid 1975).
func (c Counts) FleschKincaid() float64 { return 0.39*c.perSentence() + 11.8*c.perWord() - 15.59 }

// FleschEase returns the reading ease of an English text (Flesch 1948).
func (c Counts) FleschEase() float64 { return 206.835 - 1.015*c.perSentence() - 84.6*c.perWord() }

// FernandezHuerta returns the reading ease of a Spanish text, 70 to 80 being
// sixth grade. This is the form corrected by Law (LINGUIST List 22.2332, 2011):
// the misprint counts sentences per 100 words, so that short sentences score as
// harder ones.
func (c Counts) FernandezHuerta() float64 { return 206.84 - 60*c.perWord() - 1.02*c.perSentence() }

// SzigrisztPazos returns the other common ease of a Spanish text, above 65
// fairly easy.
func (c Counts) SzigrisztPazos() float64 { return 206.835 - 62.3*c.perWord() - c.perSentence() }

// number reports whether a word begins with a digit.
func number(word string) bool { return word != "" && word[0] >= '0' && word[0] <= '9' }
