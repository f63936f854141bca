package main

import (
	"fmt"
	"io/fs"
	"testing/fstest"

	"turnstone/care"
	"turnstone/locales"
	"turnstone/safety"
)

// screen reads the rules, with these weights beside them if there are any.
func screen(weights []byte) (*safety.Screen, error) {
	files := fstest.MapFS{}
	err := fs.WalkDir(locales.Files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || path == "learned.bin" {
			return err
		}
		data, err := fs.ReadFile(locales.Files, path)
		files[path] = &fstest.MapFile{Data: data}
		return err
	})
	if err != nil {
		return nil, err
	}
	if weights != nil {
		files["learned.bin"] = &fstest.MapFile{Data: weights}
	}
	return safety.LoadScreen(files)
}

// measure reads lines that were left out, with the rules alone and with the
// learned reader beside them, and prints what is found.
func measure(rules *safety.Screen, weights []byte, rest []message) error {
	both, err := screen(weights)
	if err != nil {
		return err
	}
	for _, s := range []struct {
		name   string
		screen *safety.Screen
	}{{"rules", rules}, {"rules and learned", both}} {
		for _, locale := range []care.Locale{"en", "es"} {
			report(s.name, s.screen, locale, rest)
		}
	}
	return nil
}

func report(name string, screen *safety.Screen, locale care.Locale, rest []message) {
	var found, of [3]int
	named := 0
	for _, m := range rest {
		if m.Locale != locale {
			continue
		}
		class := care.Class(m.class) //nolint:gosec // one of three
		of[class]++
		f := screen.Read(m.Text, locale)
		if got := f.Class(); got >= care.Urgent && (class != care.AmbulanceNow || got == care.AmbulanceNow) {
			found[class]++
		}
		if string(f.Sign) == m.Category {
			named++
		}
	}
	fmt.Printf("%-18s %s: ambulance %d/%d = %.3f, urgent %d/%d = %.3f, false %d/%d = %.3f; named rightly %d\n", name, locale,
		found[2], of[2], ratio(found[2], of[2]), found[1], of[1], ratio(found[1], of[1]), found[0], of[0], ratio(found[0], of[0]), named)
}

func ratio(k, n int) float64 { return float64(k) / float64(max(n, 1)) }
