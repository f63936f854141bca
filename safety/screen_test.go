package safety

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"turnstone/care"
)

var screen = sync.OnceValue(func() *Screen {
	s, err := LoadScreen(os.DirFS("../locales"))
	if err != nil {
		panic(err)
	}
	return s
})

// A labelled is one line of a .tsv file: id, text, category, expected class.
type labelled struct{ id, text, category, expected string }

// readLabelled splits at tabs, without quoting: a " is a character of the text.
func readLabelled(t testing.TB, name string) []labelled {
	t.Helper()
	data, err := os.ReadFile("../tests/corpus/" + name)
	if err != nil {
		t.Fatal(err)
	}
	var all []labelled
	for _, line := range strings.Split(strings.TrimSuffix(string(data), "\n"), "\n")[1:] {
		f := strings.Split(line, "\t")
		if len(f) != 4 {
			t.Fatalf("%s: %q has %d columns, not 4", name, line, len(f))
		}
		all = append(all, labelled{f[0], f[1], f[2], f[3]})
	}
	return all
}

// right reports whether a class is what a line expects: at least as urgent
// for a danger, nothing for none.
func right(got care.Class, expected string) bool {
	return got.String() == expected || expected == "urgent" && got == care.AmbulanceNow
}

// share is the part of the lines with an expected class that are right.
func share(t *testing.T, lines []labelled, lang care.Locale, expected string) float64 {
	n, ok := 0, 0
	for _, l := range lines {
		if l.expected != expected {
			continue
		}
		n++
		if right(screen().Read(l.text, lang).Class(), expected) {
			ok++
		} else {
			t.Logf("%s %s, %s: %q: %v", l.id, l.category, expected, l.text, screen().Why(l.text, lang))
		}
	}
	return float64(ok) / float64(max(n, 1))
}

// TestHAZ02_LabelledLines keeps the lines that the lexicon was made with: a
// change that loses one must say so. They are no measure of unseen lines.
func TestHAZ02_LabelledLines(t *testing.T) {
	for _, file := range []string{"samples", "first"} {
		for _, lang := range []care.Locale{"en", "es"} {
			lines := readLabelled(t, fmt.Sprintf("messages_%s_%s.tsv", lang, file))
			for expected, least := range map[string]float64{"ambulance": 0.995, "urgent": 0.98, "none": 0.98} {
				if got := share(t, lines, lang, expected); got < least {
					t.Errorf("%s %s %s: %.4f right, want at least %.3f", file, lang, expected, got, least)
				}
			}
		}
	}
}

// dangers are the danger lines of both languages that are read rightly.
func dangers(t testing.TB) (lines []labelled, langs []care.Locale) {
	for _, lang := range []care.Locale{"en", "es"} {
		for _, file := range []string{"samples", "first"} {
			for _, l := range readLabelled(t, fmt.Sprintf("messages_%s_%s.tsv", lang, file)) {
				if l.expected != "none" && right(screen().Read(l.text, lang).Class(), l.expected) {
					lines, langs = append(lines, l), append(langs, lang)
				}
			}
		}
	}
	if len(lines) < 1000 {
		t.Fatalf("only %d danger lines", len(lines))
	}
	return lines, langs
}

// survive counts the danger lines that keep their class, and those that turn
// doubtful, under a change.
func survive(t *testing.T, change func(text string, r *rand.Rand) string) (kept, doubtful float64) {
	lines, langs := dangers(t)
	r := rand.New(rand.NewPCG(1, 2))
	nk, nd, logged := 0, 0, 0
	for i, l := range lines {
		text := change(l.text, r)
		switch f := screen().Read(text, langs[i]); {
		case right(f.Class(), l.expected):
			nk++
		case f.Doubtful:
			nd++
		default:
			if logged++; logged <= 12 {
				t.Logf("%s lost: %q: %v", l.id, text, screen().Why(text, langs[i]))
			}
		}
	}
	return float64(nk) / float64(len(lines)), float64(nd) / float64(len(lines))
}

func spread(text, hidden string) string {
	var b strings.Builder
	for i, c := range text {
		if i > 0 {
			b.WriteString(hidden)
		}
		b.WriteRune(c)
	}
	return b.String()
}

func mapWith(table map[rune]rune) func(string, *rand.Rand) string {
	return func(s string, _ *rand.Rand) string {
		return strings.Map(func(c rune) rune {
			if to, ok := table[c]; ok {
				return to
			}
			return c
		}, s)
	}
}

func fullWidth(s string, _ *rand.Rand) string {
	return strings.Map(func(c rune) rune {
		if c > ' ' && c <= '~' {
			return c + 0xFEE0
		}
		return c
	}, s)
}

func withoutMarks(s string, _ *rand.Rand) string {
	return strings.Map(func(c rune) rune {
		if unicode.Is(unicode.Mn, c) {
			return -1
		}
		return c
	}, norm.NFD.String(s))
}

func withoutPunctuation(s string, _ *rand.Rand) string {
	return strings.Join(strings.FieldsFunc(s, func(c rune) bool {
		return unicode.IsSpace(c) || unicode.IsPunct(c) && c != '\'' && c != '.' && c != '-' || c == '.' && !strings.ContainsAny(s, "0123456789")
	}), " ")
}

// aSlip changes one word of five letters or more by one letter.
func aSlip(s string, r *rand.Rand) string {
	words := strings.Split(s, " ")
	for _, i := range r.Perm(len(words)) {
		w := []rune(words[i])
		if len(w) < 5 || strings.ContainsFunc(words[i], func(c rune) bool { return !unicode.IsLetter(c) }) {
			continue
		}
		k := 1 + r.IntN(len(w)-2)
		switch r.IntN(4) {
		case 0:
			w = append(w[:k], w[k+1:]...)
		case 1:
			w[k], w[k+1] = w[k+1], w[k]
		case 2:
			w = append(w[:k], append([]rune{w[k]}, w[k:]...)...)
		default:
			w[k] = 'q'
		}
		words[i] = string(w)
		break
	}
	return strings.Join(words, " ")
}

const chatEN = "Good morning, I wanted to ask about the schedule for next week and whether the video of the second exercise could be sent again. The weather is lovely and the garden needs water. "

// TestHAZ02_Variants: a danger keeps its class however it is typed. The shares
// are measured ones with a little room, so that a loss is noticed.
func TestHAZ02_Variants(t *testing.T) {
	around := strings.Repeat(chatEN, 6) + "\n%s\n" + strings.Repeat(chatEN, 6)
	variants := []struct {
		name          string
		change        func(string, *rand.Rand) string
		kept, settled float64 // least share kept; kept or doubtful
	}{
		{"capitals", func(s string, _ *rand.Rand) string { return strings.ToUpper(s) }, 1, 1},
		{"no accents", withoutMarks, 1, 1},
		{"full width", fullWidth, 0.995, 0.995},
		{"zero width space", func(s string, _ *rand.Rand) string { return spread(s, "\u200b") }, 1, 1},
		{"soft hyphen", func(s string, _ *rand.Rand) string { return spread(s, "\u00ad") }, 1, 1},
		{"bidi marks", func(s string, _ *rand.Rand) string { return "\u202e" + spread(s, "\u200f") }, 1, 1},
		{"Cyrillic look-alikes", mapWith(map[rune]rune{'a': 'а', 'e': 'е', 'o': 'о', 'c': 'с', 'p': 'р', 'x': 'х', 'y': 'у', 'i': 'і'}), 1, 1},
		{"emoji after", func(s string, _ *rand.Rand) string { return s + " 😭🙏🏽" }, 1, 1},
		{"greeting before", func(s string, _ *rand.Rand) string { return "Hi there! Good morning. " + s }, 0.995, 0.995},
		{"thanks after", func(s string, _ *rand.Rand) string { return s + ". Thank you so much" }, 0.995, 0.995},
		{"two thousand characters around", func(s string, _ *rand.Rand) string { return fmt.Sprintf(around, s) }, 0.995, 0.995},
		{"no punctuation", withoutPunctuation, 0.995, 0.995},
		{"one slip", aSlip, 0.96, 0.985},
	}
	for _, v := range variants {
		t.Run(v.name, func(t *testing.T) {
			kept, doubtful := survive(t, v.change)
			t.Logf("%.4f kept, %.4f doubtful", kept, doubtful)
			if kept < v.kept || kept+doubtful < v.settled {
				t.Errorf("%.4f kept and %.4f doubtful, want at least %.3f kept and %.3f together", kept, doubtful, v.kept, v.settled)
			}
		})
	}
}
