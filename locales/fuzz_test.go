package locales

import (
	"strings"
	"testing"
	"testing/fstest"
	"unicode/utf8"

	"turnstone/care"
)

// A faulty sentence file is refused with its name, whatever stands in it; one
// that is taken gives whole sentences or errors.
func FuzzLoadSentences(f *testing.F) {
	f.Add("[\"a\"]\nclass = \"ask\"\ntext = \"Hello {name}.\"\nargs = {name = \"name\"}\n")
	f.Add("[\"a\"]\nclass = \"inform\"\ncount = \"days\"\nargs = {days = \"int\"}\none = \"{days} day\"\nother = \"{days} days\"\n")
	f.Add("[\"a\"]\ntext = \"{{.X}}\"")
	f.Add("\x00[")
	registry, err := Files.ReadFile("registry.toml")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		fsys := fstest.MapFS{
			"registry.toml": {Data: registry},
			"en/a.toml":     {Data: []byte(text)},
			"es/a.toml":     {Data: []byte(text)},
		}
		book, err := Load(fsys)
		if err != nil {
			if err.Error() == "" {
				t.Error("a fault without a word")
			}
			return
		}
		for _, key := range book.Keys() {
			said, err := book.Text("en", care.Sentence{Key: key})
			if err == nil && (said == "" || strings.Contains(said, "{") || !utf8.ValidString(said)) {
				t.Errorf("%q says %q", key, said)
			}
		}
	})
}
