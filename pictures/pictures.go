// Package pictures holds what Turnstone shows: where to press, how to wrap, how
// to walk with crutches. Each picture is drawn by hand as SVG and comes as a
// PNG too, for channels that can't show SVG. What it shows, in words, stands in
// the locale files under the key that Words gives; nobody has to see it.
package pictures

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"turnstone/care"
)

// Files holds each picture as NAME.svg and NAME.png.
//
//go:embed *.svg *.png
var Files embed.FS

// A Picture is one picture in both forms. Its card is light and opaque, so it
// can be read on a light page and on a dark one.
type Picture struct {
	Name string
	SVG  []byte
	PNG  []byte // 640 pixels wide
}

// Find returns the picture called name, as a protocol writes it.
func Find(name string) (Picture, error) {
	svg, err := Files.ReadFile(name + ".svg")
	if err != nil {
		return Picture{}, fmt.Errorf("no picture is called %q; draw pictures/%s.svg and run: make pictures", name, name)
	}
	png, err := Files.ReadFile(name + ".png")
	if err != nil {
		return Picture{}, fmt.Errorf("picture %q has no PNG; run: make pictures", name)
	}
	return Picture{Name: name, SVG: svg, PNG: png}, nil
}

// Names returns the name of every picture, sorted.
func Names() []string {
	found, err := fs.Glob(Files, "*.svg")
	if err != nil {
		panic(err) // only a malformed pattern, and it is written above
	}
	for i, name := range found {
		found[i] = strings.TrimSuffix(name, ".svg")
	}
	return found
}

// Words is the sentence that says what the picture shows.
func Words(name string) care.SentenceKey {
	return care.SentenceKey("picture." + name)
}

// Keys returns the sentences of every picture; each language must have them.
func Keys() []care.SentenceKey {
	var keys []care.SentenceKey
	for _, name := range Names() {
		keys = append(keys, Words(name))
	}
	return keys
}

// Check says which of the named pictures are not there in both forms.
func Check(names []string) error {
	var errs []error
	for _, name := range names {
		_, err := Find(name)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}
