package safety

import (
	"os"
	"strings"
	"testing"
)

// ordinary is 200 characters of the usual kind, without a danger sign.
const ordinary = "Hi, I rolled my ankle on the trail this morning near the lake, it is a bit puffy and sore on the outside but I walked home on it. Should I wrap it tonight or wait and see how it goes? Thanks so much!"

// BenchmarkScreenRead is one message over all loaded languages.
func BenchmarkScreenRead(b *testing.B) {
	s, err := LoadScreen(os.DirFS("../locales"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		s.Read(ordinary, "en")
	}
}

// BenchmarkSubstringScan is the yardstick: a plain search of the same message
// for every word and phrase of the same lexicon.
func BenchmarkSubstringScan(b *testing.B) {
	s, err := LoadScreen(os.DirFS("../locales"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		text := strings.ToLower(ordinary)
		for _, entries := range [][]entry{s.lex.entries, s.lex.ends} {
			for i := range entries {
				if entries[i].text != "" && strings.Contains(text, entries[i].text) {
					hits++
				}
			}
		}
	}
}

var hits int

// BenchmarkLoadScreen is what it adds to the start.
func BenchmarkLoadScreen(b *testing.B) {
	for b.Loop() {
		if _, err := LoadScreen(os.DirFS("../locales")); err != nil {
			b.Fatal(err)
		}
	}
}
