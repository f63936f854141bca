package safety

import (
	"strings"
	"testing"
	"testing/fstest"
)

// inflected is a small list in which a stem stands for its forms.
const inflected = `
[words]
forms_ar = "ar, o, a, ando"
forms_s = "-, s"
tails = "lo, le"
tailed = "ar, ando"
[[rule]]
id = "r"
sign = "bleeding"
say = "sangr:ar|trapo:s|toc:ar_todo"
example = "sangra"
counter = "nada"
`

// The conjugation is that of any grammar of Spanish: sangrar, sangrando, and
// pronouns are written in one with both (RAE, Ortografía).
func TestStemsStandForTheirForms(t *testing.T) {
	s, err := LoadScreen(fstest.MapFS{"es/danger.toml": {Data: []byte(inflected)}})
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{
		"sangra": true, "sangrar": true, "sangro": true, "sangrando": true, "trapo": true, "trapos": true,
		"sangrándole": true, "sangrarlo": true, "sangrale": false, "trapole": false,
		"tocando todo": true, "tocando": false,
	} {
		if got := s.Read(text, "es").Sign != ""; got != want {
			t.Errorf("%q: seen %v, want %v", text, got, want)
		}
	}
}

func TestUnknownEndingsAreAFault(t *testing.T) {
	_, err := LoadScreen(fstest.MapFS{"es/danger.toml": {Data: []byte(strings.Replace(inflected, "sangr:ar", "sangr:xx", 1))}})
	if err == nil || !strings.Contains(err.Error(), "forms_xx") {
		t.Errorf("a stem without its endings gave %v", err)
	}
}

// In a concept that only one language has, the words that another language
// has for what it takes in count too, as people mix languages.
func TestOwnConceptsTakeInOtherLanguages(t *testing.T) {
	list := func(words, say string) *fstest.MapFile {
		return &fstest.MapFile{Data: []byte("[words]\n" + words + "\n[[rule]]\nid = \"r\"\nsign = \"bleeding\"\nsay = '''" + say + "'''\nexample = \"zzz\"\ncounter = \"nothing\"\n")}
	}
	s, err := LoadScreen(fstest.MapFS{
		"en/danger.toml": list(`thing = "blood"`, "zzz"),
		"es/danger.toml": list("thing = \"sangre\"\nwide = \"@thing, zzz\"", "zzz\nsale @wide"),
	})
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{"sale sangre": true, "sale blood": true, "the blood": false} {
		if got := s.Read(text, "es").Sign != ""; got != want {
			t.Errorf("%q: seen %v, want %v", text, got, want)
		}
	}
}
