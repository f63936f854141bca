package locales

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode"

	"turnstone/care"
)

// An argType says what may stand in an argument.
type argType string

// The types of argument.
const (
	argInt      argType = "int"      // a whole number from 0 on
	argNumber   argType = "number"   // a telephone number to call now: 2 to 6 digits, never formatted
	argName     argType = "name"     // a person's name, one line
	argText     argType = "text"     // somebody's own words
	argLines    argType = "lines"    // one or more lines
	argSentence argType = "sentence" // @ and the key of another sentence, or its text in the same language
)

// longestName is how many characters of a name are shown.
const longestName = 60

var (
	wholeNumber = regexp.MustCompile(`^[0-9]{1,6}$`)
	callNumber  = regexp.MustCompile(`^[0-9]{2,6}$`)
	errEmpty    = errors.New("it is empty")
)

func (t argType) known() bool {
	switch t {
	case argInt, argNumber, argName, argText, argLines, argSentence:
		return true
	}
	return false
}

// value checks one argument and returns what is shown of it.
func (b *Book) value(locale care.Locale, t argType, raw string) (string, error) {
	switch t {
	case argInt:
		if !wholeNumber.MatchString(raw) {
			return "", fmt.Errorf("%q is no whole number from 0 on", raw)
		}
		n, err := strconv.Atoi(raw)
		return strconv.Itoa(n), err
	case argNumber:
		if !callNumber.MatchString(raw) {
			return "", fmt.Errorf("%q is no emergency number: it must be 2 to 6 digits", raw)
		}
		return raw, nil
	case argSentence:
		return b.nested(locale, raw)
	case argName:
		return shortName(raw)
	default:
		return cleanLines(raw)
	}
}

// nested renders a sentence that stands inside another one. A caller that has
// rendered it already hands in its text; a key that lost its @ is no text.
func (b *Book) nested(locale care.Locale, raw string) (string, error) {
	key, marked := strings.CutPrefix(raw, "@")
	plain := b.plain[care.SentenceKey(key)]
	switch {
	case marked && plain != nil && len(plain.args) == 0:
		return b.Text(locale, care.Sentence{Key: care.SentenceKey(key)})
	case marked || plain != nil:
		return "", fmt.Errorf("%q is not @ and the key of a sentence without arguments", raw)
	}
	return cleanLines(raw)
}

func shortName(raw string) (string, error) {
	name := []rune(strings.Join(strings.Fields(dropHidden(raw)), " "))
	if len(name) == 0 {
		return "", errEmpty
	}
	if len(name) > longestName {
		name = append(name[:longestName-1], '…')
	}
	return string(name), nil
}

// cleanLines keeps the lines that show something, without hidden characters.
func cleanLines(raw string) (string, error) {
	var lines []string
	for line := range strings.SplitSeq(raw, "\n") {
		if line = strings.TrimSpace(dropHidden(line)); line != "" {
			lines = append(lines, line)
		}
	}
	if len(lines) == 0 {
		return "", errEmpty
	}
	return strings.Join(lines, "\n"), nil
}

// dropHidden drops characters that show nothing or turn the direction of what
// follows, and makes every kind of space a plain one. The joiner that holds an
// emoji together goes with them, which is no loss here.
func dropHidden(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsControl(r), unicode.Is(unicode.Cf, r), r == unicode.ReplacementChar:
			return -1
		}
		return r
	}, s)
}
