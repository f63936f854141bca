package terminal

import (
	"strings"
	"unicode"

	"github.com/rivo/uniseg"
)

// columns is how many columns of a terminal a text takes: wide characters
// count two, combining ones none (Unicode Standard Annexes 11 and 29).
func columns(text string) int { return uniseg.StringWidth(text) }

// wrap breaks a text into lines of at most width columns, where Unicode
// Standard Annex 14 allows a break. What is wider than a line and has no such
// place is cut between two characters as a reader sees them. Nothing is lost
// but the spaces at a break.
func wrap(text string, width int) []string {
	var out []string
	for line := range strings.SplitSeq(text, "\n") {
		out = append(out, wrapLine(clean(line), width)...)
	}
	return out
}

func wrapLine(text string, width int) []string {
	var out []string
	line, state := "", -1
	for rest := text; rest != ""; {
		var word string
		word, rest, _, state = uniseg.FirstLineSegmentInString(rest, state)
		if line != "" && columns(trimmed(line+word)) > width {
			out, line = append(out, trimmed(line)), ""
		}
		for line == "" && columns(trimmed(word)) > width {
			head, tail := cut(word, width)
			if tail == "" {
				break // one character that is wider than the line
			}
			out, word = append(out, head), tail
		}
		line += word
	}
	return append(out, trimmed(line))
}

// cut takes as many whole characters off the front as fit, at least one.
func cut(word string, width int) (head, tail string) {
	state, used := -1, 0
	for rest := word; rest != ""; {
		_, after, w, next := uniseg.FirstGraphemeClusterInString(rest, state)
		if used > 0 && used+w > width {
			return word[:len(word)-len(rest)], rest
		}
		used += max(w, 1) // characters without width end too
		rest, state = after, next
	}
	return word, ""
}

func trimmed(line string) string { return strings.TrimRight(line, " ") }

// clean keeps what is written by others from moving the cursor or coloring
// the screen: control characters go, and each kind of space but the one that
// holds two words together becomes a plain one.
func clean(line string) string {
	const together = '\u00a0'
	return strings.Map(func(r rune) rune {
		switch {
		case r == together:
			return r
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsControl(r):
			return -1
		}
		return r
	}, strings.ToValidUTF8(line, "\ufffd"))
}
