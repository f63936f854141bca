package talk

import (
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/tests/house"
)

// Of are the lines of a type.
func Of(lines []Line, kind string) []Line {
	return slices.DeleteFunc(slices.Clone(lines), func(l Line) bool { return l.Type != kind })
}

// Disposition is the last one that was printed, the zero Line where none was.
func (s *Session) Disposition() Line {
	all := Of(s.Lines, "disposition")
	if len(all) == 0 {
		return Line{}
	}
	return all[len(all)-1]
}

// Escalation is the last escalation about what, the zero Line where none was.
func (s *Session) Escalation(what string) Line {
	for _, l := range slices.Backward(s.Lines) {
		if l.Type == "escalation" && l.What == what {
			return l
		}
	}
	return Line{}
}

// Planned is what is planned and was not taken back, as what@due, of the
// given names.
func (s *Session) Planned(names ...string) []string {
	var all []string
	for _, l := range s.Lines {
		if !slices.Contains(names, l.What) {
			continue
		}
		switch l.Type {
		case "planned":
			all = append(all, l.What+"@"+l.Due.UTC().Format(time.RFC3339))
		case "cancelled":
			if i := slices.IndexFunc(all, func(p string) bool { return strings.HasPrefix(p, l.What+"@") }); i >= 0 {
				all = slices.Delete(all, i, i+1)
			}
		}
	}
	slices.Sort(all)
	return all
}

// Sentence is a sentence of the program's book, in English; arguments come in
// pairs, and those it does not take are left out. Tests name sentences by their
// keys: words are reworded.
func Sentence(t testing.TB, key string, args ...string) string {
	t.Helper()
	parts, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	sentence := care.Sentence{Key: care.SentenceKey(key), Args: map[string]string{}}
	for i := 0; i+1 < len(args); i += 2 {
		if _, takes := parts.Book.Args(sentence.Key)[args[i]]; takes {
			sentence.Args[args[i]] = args[i+1]
		}
	}
	text, err := parts.Book.Text("en", sentence)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// Says reports whether one of the messages says a sentence.
func Says(lines []Line, text string) bool {
	return slices.ContainsFunc(Of(lines, "message"), func(l Line) bool { return strings.Contains(l.Text, text) })
}
