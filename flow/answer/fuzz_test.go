package answer

import (
	"regexp"
	"slices"
	"strings"
	"testing"
)

// forms are the values that each kind may give.
var forms = map[string]*regexp.Regexp{
	"yesno":             regexp.MustCompile(`^(yes|no|unsure|none)$`),
	"scale0to10":        regexp.MustCompile(`^(\d|10|none)$`),
	"side":              regexp.MustCompile(`^(left|right|both|none)$`),
	"when_injured":      regexp.MustCompile(`^(P(\d+Y)?(\d+M)?(\d+W)?(\d+D)?(T(\d+H)?(\d+M)?(\d+S)?)?|none)$`),
	"age_years":         regexp.MustCompile(`^(\d{1,2}|1[01]\d|120|none)$`),
	"height":            regexp.MustCompile(`^(9\d|1\d\d|2[0-2]\d|230|none)$`),
	"consent":           regexp.MustCompile(`^(yes|no|none)$`),
	"better_same_worse": regexp.MustCompile(`^(better|same|worse|none)$`),
}

// FuzzRead reads anything in every kind: no panic, and a value of the kind's form.
func FuzzRead(f *testing.F) {
	r := reader(f)
	for _, loc := range []string{"en", "es"} {
		for i, l := range lines(f, "dev_"+loc+".tsv") {
			if i%40 == 0 {
				f.Add(l.text)
			}
		}
	}
	for _, s := range []string{"", "5'", "1/0", "½", "99999999999999999999 days", "-", "0000-00-00", "31/02/2024", "\x00\xff", "٣", "options: | ;; |", "a few a few hours or", "last last week"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for kind, form := range forms {
			if got := r.ReadKind(kind, "en", at, text); !form.MatchString(got) {
				t.Errorf("%s %q: got %q", kind, text, got)
			}
		}
		list := []string{"stairs", "2-4 hours", "none"}
		if got := r.ReadKind("choice", "es", at, "options: "+strings.Join(list, "|")+" ;; "+text); !slices.Contains(list, got) {
			t.Errorf("choice %q: got %q", text, got)
		}
		r.Command(text, "en")
	})
}
