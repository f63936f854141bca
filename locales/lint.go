package locales

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf16"
)

// longestLabel is how many UTF-16 units a button's text may have on the
// narrowest platform that has real buttons.
const longestLabel = 80

var (
	argumentName = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)
	placeholder  = regexp.MustCompile(`\{[a-z][a-z0-9_]*\}`)
	longNumber   = regexp.MustCompile(`[0-9]{3,}`)
	anyNumber    = regexp.MustCompile(`[0-9]+`)
	listMark     = regexp.MustCompile(`(?m)^(- |\+ |[0-9]+[.)] )`)
)

// lintText lists what is wrong with a text, apart from its placeholders.
func lintText(text string) []string {
	var out []string
	if strings.TrimSpace(text) == "" {
		return []string{"it is empty"}
	}
	bare := placeholder.ReplaceAllString(text, "x")
	if strings.Contains(text, "{{") || strings.Contains(text, "}}") {
		out = append(out, "double braces: a placeholder is {name}")
	} else if strings.ContainsAny(bare, "{}") {
		out = append(out, "a brace that is no placeholder: write {name} in small letters, or remove it")
	}
	if n := longNumber.FindString(bare); n != "" {
		out = append(out, fmt.Sprintf("the number %s: a number of 3 digits or more comes in by an argument", n))
	}
	out = append(out, lintRunes(bare)...)
	for line := range strings.SplitSeq(text, "\n") {
		if strings.TrimSpace(line) != line || line == "" {
			out = append(out, "an empty line, or a space at the beginning or end of a line")
			break
		}
	}
	if strings.Contains(text, "  ") {
		out = append(out, "two spaces in a row")
	}
	if listMark.MatchString(bare) || strings.ContainsAny(bare, "*_`~|#@<>[]\\") || strings.Contains(bare, "://") {
		out = append(out, "a sign that a platform takes as markup, a mention or a link")
	}
	return out
}

// lintRunes finds characters that show nothing, or that are not what they seem.
func lintRunes(text string) []string {
	for _, r := range text {
		switch {
		case unicode.Is(unicode.Cf, r):
			return []string{fmt.Sprintf("the hidden character %U", r)}
		case r != '\n' && unicode.IsControl(r), r != ' ' && r != '\n' && unicode.IsSpace(r), r == unicode.ReplacementChar:
			return []string{fmt.Sprintf("the character %U: write a plain space or remove it", r)}
		case unicode.IsDigit(r) && r > unicode.MaxASCII:
			return []string{fmt.Sprintf("the digit %c: write 0 to 9", r)}
		}
	}
	return nil
}

// parts checks a text and cuts it at its placeholders.
func (e *entry) parts(plain *sentence, text string) []part {
	for _, what := range lintText(text) {
		e.fault(firstLine(text), "sentence %q holds %s", e.key, what)
	}
	if strings.HasPrefix(string(e.key), labelPrefix) {
		if n := len(utf16.Encode([]rune(text))); n > longestLabel || strings.Contains(text, "\n") {
			e.fault(firstLine(text), "label %q has %d characters: it must be one line of at most %d", e.key, n, longestLabel)
		}
	}
	var out []part
	used := map[string]bool{}
	at := 0
	for _, m := range placeholder.FindAllStringIndex(text, -1) {
		name := text[m[0]+1 : m[1]-1]
		if _, ok := plain.args[name]; !ok {
			e.fault("{"+name+"}", "sentence %q has no argument %q: correct the name, or add it to args", e.key, name)
		}
		if m[0] > at {
			out = append(out, part{text: text[at:m[0]]})
		}
		out = append(out, part{arg: name})
		used[name], at = true, m[1]
	}
	if at < len(text) {
		out = append(out, part{text: text[at:]})
	}
	for _, name := range slices.Sorted(maps.Keys(plain.args)) {
		if !used[name] {
			e.fault(firstLine(text), "sentence %q does not show its argument {%s}: put it in", e.key, name)
		}
	}
	return out
}

func firstLine(text string) string {
	line, _, _ := strings.Cut(text, "\n")
	return line
}

// digitsOf lists the figures of a text, sorted, without its placeholders.
func digitsOf(text string) []string {
	out := anyNumber.FindAllString(placeholder.ReplaceAllString(text, ""), -1)
	slices.Sort(out)
	return out
}
