package locales

import (
	"slices"
	"strings"
	"testing"

	"turnstone/care"
)

// What may not be said in a language is said in the base language, also inside
// another sentence; what may be typed is read in both.
func TestHAZ16_WhatNobodyStandsByIsSaidInTheBaseLanguage(t *testing.T) {
	b, err := Load(Files)
	if err != nil {
		t.Fatal(err)
	}
	silent := b.Speaking(func(l care.Locale, key care.SentenceKey) bool { return l == "en" || key == "practice" })
	for _, key := range b.Keys() {
		if len(b.Args(key)) > 0 {
			continue
		}
		s := care.Sentence{Key: key}
		en, err1 := b.Text("en", s)
		es, err2 := b.Text("es", s)
		got, err3 := silent.Text("es", s)
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatal(err1, err2, err3)
		}
		if want := map[bool]string{true: es, false: en}[key == "practice"]; got != want {
			t.Errorf("%s is said as %q, want %q", key, got, want)
		}
		if !strings.HasPrefix(string(key), labelPrefix) {
			continue
		}
		for _, word := range append(append(b.Words("en", key), b.Words("es", key)...), es) {
			if !slices.Contains(silent.Words("es", key), word) {
				t.Errorf("%s: %q is not read any more", key, word)
			}
		}
	}
	if got, err := silent.Text("es", care.Sentence{Key: "card.place", Args: map[string]string{"number": "000", "places": "@place.000"}}); err != nil || got != "000: Australia" {
		t.Errorf("a row of a card with a sentence inside: %q, %v", got, err)
	}
	if _, err := silent.Text("tlh", care.Sentence{Key: "practice"}); err == nil {
		t.Error("a language that is none is said in the base language")
	}
}

// What is signed holds all of a sentence.
func TestWrittenHoldsAllOfASentence(t *testing.T) {
	b, err := Load(Files)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range b.Locales() {
		for _, key := range b.Keys() {
			text := b.Written(l, key)
			class, _ := b.Class(key)
			if !strings.HasPrefix(text, "class "+string(class)+"\n") {
				t.Errorf("%s %s: %q does not begin with the class", l, key, text)
			}
			for name := range b.Args(key) {
				if !strings.Contains(text, "\nargument "+name+" ") || !strings.Contains(text, "{"+name+"}") {
					t.Errorf("%s %s: %q lacks the argument %s", l, key, text, name)
				}
			}
			for _, word := range b.Words(l, key) {
				if !strings.Contains(text, "\nword "+word+"\n") {
					t.Errorf("%s %s: %q lacks the word %q", l, key, text, word)
				}
			}
		}
	}
	if b.Written("en", "nowhere") != "" {
		t.Error("a sentence that is none is written")
	}
}
