package talk

import (
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/tests/house"
)

// A pattern that stops nothing would make every talk look safe: each has a
// sentence that it must stop.
func TestEachPatternStopsItsSentence(t *testing.T) {
	sentences := [][]string{
		{"Take 400 mg.", "Toma 2 pastillas.", "5 ml of syrup"},
		{"Take two tablets.", "Toma dos pastillas."},
		{"every 6 hours", "cada ocho horas", "every 4 to 6 hours"},
		{"It is not broken.", "It isn't broken.", "it seems not broken"},
		{"There is no fracture.", "not a break"},
		{"It's just a sprain.", "Es solo un esguince."},
		{"No está roto.", "no hay fractura", "no tienes nada roto"},
		{"Call <no value> now.", "%!s(MISSING)", "{{.Number}}"},
	}
	if len(sentences) != len(Never) {
		t.Fatalf("%d patterns and sentences for %d", len(Never), len(sentences))
	}
	for i, re := range Never {
		for _, s := range sentences[i] {
			if !re.MatchString(s) {
				t.Errorf("%v does not stop %q", re, s)
			}
		}
	}
}

// No sentence of the book is one that must never be said, whatever its state.
func TestNoSentenceOfTheBookIsStopped(t *testing.T) {
	p, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range p.Book.Keys() {
		class, _ := p.Book.Class(key)
		if len(p.Book.Args(key)) > 0 || strings.HasPrefix(string(key), "label.") || class == care.ClassStaff {
			continue // a label is what the person says
		}
		for _, locale := range p.Book.Locales() {
			text, err := p.Book.Text(locale, care.Sentence{Key: key})
			if err != nil {
				t.Error(err)
			}
			for _, re := range Never {
				if hit := re.FindString(text); hit != "" {
					t.Errorf("%s in %s says %q", key, locale, hit)
				}
			}
		}
	}
}

// The letter of the door: a line that breaks it is found.
func TestALineThatIsNotToTheLetterIsFound(t *testing.T) {
	for _, good := range []string{
		`{"type":"ready","at":"2026-03-02T10:00:00Z"}`,
		`{"type":"error","error":"x"}`,
		`{"type":"message","id":"e-1","at":"2026-03-02T10:00:00Z","text":"x"}`,
		`{"type":"message","id":"e-1","at":"2026-03-02T10:00:00Z","text":"x","ask":{"facts":["ride"],"kind":"yesno","choices":[{"value":"yes","label":"Y"},{"value":"no","label":"N"},{"value":"unsure","label":"U"}]}}`,
		`{"type":"disposition","at":"2026-03-02T10:00:00Z","disposition":"home","because":[],"rule":{"ankle":"negative","foot":"negative"}}`,
	} {
		if _, err := parse(good); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for _, bad := range []string{
		``, `x`, `[]`, `{}`, `{"type":"noise"}`, `{"type":"ready"}`, `{"type":"ready","at":"today"}`, `{"type":"ready","at":null}`,
		`{"type":"ready","at":"2026-03-02T10:00:00Z","more":1}`,
		`{"type":"disposition","at":"2026-03-02T10:00:00Z","disposition":"home","because":null,"rule":{}}`,
		`{"type":"disposition","at":"2026-03-02T10:00:00Z","disposition":"home","because":[]}`,
		`{"type":"message","id":"e-1","at":"2026-03-02T10:00:00Z","text":"x","ask":{"facts":null,"kind":"next","choices":[]}}`,
		`{"type":"message","id":"e-1","at":"2026-03-02T10:00:00Z","text":"x","ask":{"facts":["a"],"kind":"yesno","choices":[{"value":"yes","label":"Y"},{"value":"no","label":"N"}]}}`,
		`{"type":"message","id":"e-1","at":"2026-03-02T10:00:00Z","text":"x","ask":{"facts":["a"],"kind":"age","choices":[{"value":"1","label":"1"}]}}`,
		`{"type":"message","id":"e-1","at":"2026-03-02T10:00:00Z","text":"x","ask":{"facts":["consent"],"kind":"consent","choices":[{"value":"yes","label":"Y"},{"value":"unsure","label":"U"}]}}`,
		`{"type":"message","id":"e-1","at":"2026-03-02T10:00:00Z","text":"x","ask":{"facts":["a"],"kind":"oneof","choices":[{"value":"unsure","label":"U"},{"value":"unsure","label":"V"}]}}`,
	} {
		if _, err := parse(bad); err == nil {
			t.Errorf("%s passes", bad)
		}
	}
}

// Scripts are read word by word; a quote in words is doubled.
func TestWordsOfAScript(t *testing.T) {
	for line, want := range map[string]string{
		"":                                 "",
		"# press yes":                      "",
		"press yes no":                     "press|yes|no",
		"person 'i can''t walk'":           "person|i can't walk",
		"staff take x by='Rui Sá' note=''": "staff|take|x|by=Rui Sá|note=",
		"person ''":                        "person|",
	} {
		got, err := words(line)
		if err != nil || strings.Join(got, "|") != want {
			t.Errorf("%q: got %q, %v", line, got, err)
		}
	}
	if _, err := words("person 'open"); err == nil {
		t.Error("a quote that is not closed passes")
	}
}
