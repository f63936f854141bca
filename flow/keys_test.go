package flow

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/locales"
)

// Everything that the dialogue can say must be there, in every language.
func TestEverySentenceIsThere(t *testing.T) {
	book, err := locales.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	f := newFlow(t)
	f.set.Book = book
	if err := book.Check(f.Keys()); err != nil {
		t.Error(err)
	}
}

// A sentence that the code names must stand in the list that is checked at
// start.
func TestTheListOfSentencesIsWhole(t *testing.T) {
	f := newFlow(t)
	keys := f.Keys()
	spoken := regexp.MustCompile(`(?:t\.say|t\.rest|t\.neutral|sentence)\("([a-z0-9_.]+)"[,)]`)
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range spoken.FindAllStringSubmatch(string(data), -1) {
			found++
			if !slices.Contains(keys, care.SentenceKey(m[1])) {
				t.Errorf("%s says %q, which is not checked at start", name, m[1])
			}
		}
	}
	if found < 40 {
		t.Errorf("only %d sentences found in the code; the pattern is out of date", found)
	}
}
