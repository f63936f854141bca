// Package corpus reads the labelled messages and answers beside it. Each was
// invented by hand; the part named unseen is for measuring alone.
package corpus

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"strings"

	"turnstone/care"
)

//go:embed *.tsv
var files embed.FS

// A Line is one labelled message.
type Line struct {
	ID, Text, Category, Expected string
	Locale                       care.Locale
	Fresh                        bool // no rule was ever worked on with it
}

// Answer is the category of a line that was typed to a question: calm.
const Answer = "answer"

// Locales are the languages that have messages.
var Locales = []care.Locale{"en", "es"}

// Learning returns the messages that may be learned from, with the answers as
// calm ones: what is typed to a question must not weigh as danger. Rules are
// worked on with all but the part named apart, from which the learned reader
// learns how far the rules can be believed.
func Learning() ([]Line, error) {
	var all []Line
	for _, locale := range Locales {
		for _, part := range []string{"first", "samples", "tuning", "apart"} {
			messages, err := rows(fmt.Sprintf("messages_%s_%s.tsv", locale, part), 4)
			if err != nil {
				return nil, err
			}
			for _, c := range messages {
				all = append(all, Line{ID: c[0], Text: c[1], Category: c[2], Expected: c[3], Locale: locale, Fresh: part == "apart"})
			}
		}
		calm, err := typed(locale)
		if err != nil {
			return nil, err
		}
		all = append(all, calm...)
	}
	return all, nil
}

// typed returns what people without any danger typed to questions.
func typed(locale care.Locale) (all []Line, err error) {
	calm := func(id, text string) {
		all = append(all, Line{ID: id, Text: text, Category: Answer, Expected: care.NoClass.String(), Locale: locale})
	}
	answers, err := rows(fmt.Sprintf("answers_%s_tuning.tsv", locale), 4)
	for _, c := range answers {
		_, text, choice := strings.Cut(c[2], ";;")
		if !choice {
			text = c[2]
		}
		calm(c[0], text)
	}
	if err != nil {
		return nil, err
	}
	for _, part := range []string{"tuning", "apart"} {
		name := fmt.Sprintf("typed_%s_%s", locale, part)
		talks, err := rows(name+".tsv", 3)
		if err != nil {
			return nil, err
		}
		for i, c := range talks {
			calm(fmt.Sprintf("%s:%d", name, i+2), c[2])
		}
	}
	return all, nil
}

// Sum is a hash over lines: it tells whether they changed.
func Sum(lines []Line) string {
	h := sha256.New()
	for _, l := range lines {
		fmt.Fprintf(h, "%s\t%s\t%s\t%s\t%s\n", l.Locale, l.ID, l.Text, l.Category, l.Expected)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// rows returns the cells of a file below its head, n a line.
func rows(name string, n int) ([][]string, error) {
	data, err := files.ReadFile(name)
	if err != nil {
		return nil, err
	}
	var all [][]string
	for i, row := range strings.Split(strings.TrimRight(string(data), "\n"), "\n")[1:] {
		cells := strings.Split(row, "\t")
		if len(cells) != n {
			return nil, fmt.Errorf("%s:%d has %d cells, want %d", name, i+2, len(cells), n)
		}
		all = append(all, cells)
	}
	return all, nil
}
