package locales

import (
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"

	"turnstone/care"
)

var loadedOnce = sync.OnceValues(func() (*Book, error) { return Load(Files) })

// book is the shipped files, loaded once for all tests.
func book(t testing.TB) *Book {
	t.Helper()
	b, err := loadedOnce()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestTextFillsInArgumentsByTheirType(t *testing.T) {
	b := book(t)
	tests := []struct {
		key  care.SentenceKey
		args map[string]string
		want string
	}{
		{"intro", map[string]string{"number": "112"}, "I am a program, not a clinician.\nI ask and remind. Nobody may be reading.\nIn an emergency call 112; don't write."},
		{"progress", map[string]string{"n": "03", "total": "24"}, "Question 3 of about 24."},
		{"because.told", map[string]string{"reason": "@reason.navicular"}, "The bump on the inner side of your foot is sore."},
		{"because.unsure", map[string]string{"reason": "The bump is sore."}, "You were not sure about this:\nThe bump is sore."},
		{"staff.says", map[string]string{"by": " Rui\n ", "text": "Hello.\n\n  See you\u202e soon. "}, "Rui from the clinic writes:\nHello.\nSee you soon."},
		{"card.place", map[string]string{"number": "000", "places": "@place.000"}, "000: Australia"},
		{"phone.kept", map[string]string{"by": strings.Repeat("a", 80)}, "Thank you. Only " + strings.Repeat("a", 59) + "… sees that number."},
	}
	for _, tt := range tests {
		got, err := b.Text("en", care.Sentence{Key: tt.key, Args: tt.args})
		if err != nil || got != tt.want {
			t.Errorf("%s: got %q, %v; want %q", tt.key, got, err, tt.want)
		}
	}
}

func TestHAZ06_TextIsNeverHalfFilled(t *testing.T) {
	b := book(t)
	number := func(n string) map[string]string { return map[string]string{"number": n} }
	tests := []struct {
		name   string
		locale care.Locale
		s      care.Sentence
		want   string
	}{
		{"an unknown language", "xx", care.Sentence{Key: "practice"}, `no language "xx"`},
		{"an unknown sentence", "en", care.Sentence{Key: "practise"}, `no sentence for "practise"`},
		{"a missing argument", "en", care.Sentence{Key: "card.number"}, `lacks its argument "number"`},
		{"an argument too many", "en", care.Sentence{Key: "practice", Args: number("112")}, `takes no argument "number"`},
		{"an empty number", "en", care.Sentence{Key: "card.number", Args: number("")}, `no emergency number`},
		{"a number in other digits", "en", care.Sentence{Key: "card.number", Args: number("١١٢")}, `no emergency number`},
		{"a number with signs", "en", care.Sentence{Key: "card.number", Args: number("9-1-1")}, `no emergency number`},
		{"a count that is none", "en", care.Sentence{Key: "cold_timer.on", Args: map[string]string{"minutes": "soon"}}, `no whole number`},
		{"a negative count", "en", care.Sentence{Key: "cold_timer.on", Args: map[string]string{"minutes": "-1"}}, `no whole number`},
		{"an empty name", "en", care.Sentence{Key: "staff.taken", Args: map[string]string{"by": "\u200b "}}, `it is empty`},
		{"an empty text", "en", care.Sentence{Key: "staff.says", Args: map[string]string{"by": "Rui", "text": "\n"}}, `it is empty`},
		{"a sentence that is not there", "en", care.Sentence{Key: "because.told", Args: map[string]string{"reason": "@reason.none"}}, `not @ and the key`},
		{"a sentence without its mark", "en", care.Sentence{Key: "because.told", Args: map[string]string{"reason": "reason.wound"}}, `not @ and the key`},
		{"an empty sentence", "en", care.Sentence{Key: "because.told", Args: map[string]string{"reason": " "}}, `it is empty`},
		{"a sentence that needs arguments", "en", care.Sentence{Key: "because.told", Args: map[string]string{"reason": "@card.number"}}, `not @ and the key`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := b.Text(tt.locale, tt.s)
			if err == nil || !strings.Contains(err.Error(), tt.want) || got != "" {
				t.Errorf("got %q, %v; want no text and %s", got, err, tt.want)
			}
		})
	}
}

func TestCheckNamesEachMissingKeyOnce(t *testing.T) {
	b := book(t)
	if err := b.Check([]care.SentenceKey{"practice", "label.yes"}); err != nil {
		t.Error(err)
	}
	err := b.Check([]care.SentenceKey{"practice", "nowhere", "nowhere"})
	if err == nil || err.Error() != "en: no sentence for \"nowhere\": add it to a file of en/\nes: no sentence for \"nowhere\": add it to a file of es/" {
		t.Errorf("got %v", err)
	}
}

func TestClassAndWordsComeFromTheFiles(t *testing.T) {
	b := book(t)
	for key, want := range map[care.SentenceKey]care.SentenceClass{
		"card.number": care.ClassDanger, "disposition.home": care.ClassDisposition, "say.protect": care.ClassProtect, "say.care_cold": care.ClassHomeCare,
		"home.first": care.ClassReassure, "ask.side": care.ClassAsk, "intro": care.ClassInform, "staff.says": care.ClassStaff,
	} {
		if got, ok := b.Class(key); !ok || got != want {
			t.Errorf("class of %s is %q, %v; want %q", key, got, ok, want)
		}
	}
	if _, ok := b.Class("nowhere"); ok {
		t.Error("a sentence that is not there has a class")
	}
	if got := b.Words("es", "label.walking.limp"); len(got) == 0 || got[0] != "cojeo" {
		t.Errorf("words are %q", got)
	}
	if b.Words("en", "nowhere") != nil || b.Words("xx", "label.yes") != nil {
		t.Error("words came from nowhere")
	}
}

func TestRightToLeftTextKeepsANumberInItsOwnDirection(t *testing.T) {
	files := fstest.MapFS{
		"registry.toml": {Data: []byte("[[language]]\ntag = \"en\"\nname = \"English\"\ndirection = \"ltr\"\nstate = \"source\"\n" +
			"[[language]]\ntag = \"he\"\nname = \"עברית\"\ndirection = \"rtl\"\nstate = \"draft\"\n")},
		"en/a.toml": {Data: []byte("[\"call\"]\nclass = \"danger\"\nargs = {number = \"number\"}\ntext = \"Call {number}.\"\n")},
		"he/a.toml": {Data: []byte("[\"call\"]\ntext = \"התקשרו {number}.\"\n")},
	}
	b, err := Load(files)
	if err != nil {
		t.Fatal(err)
	}
	got, err := b.Text("he", care.Sentence{Key: "call", Args: map[string]string{"number": "101"}})
	if want := "התקשרו \u2068101\u2069."; err != nil || got != want {
		t.Errorf("got %q, %v; want %q", got, err, want)
	}
}

// TestPluralFormsAgreeWithASecondLibrary compares the forms of go-i18n with
// those of golang.org/x/text (CLDR 32) for every count that the bot may say.
func TestPluralFormsAgreeWithASecondLibrary(t *testing.T) {
	names := map[plural.Form]string{
		plural.Zero: "zero", plural.One: "one", plural.Two: "two", plural.Few: "few", plural.Many: "many", plural.Other: "other",
	}
	for _, tag := range []care.Locale{"en", "es"} {
		p, err := newPlurals(tag)
		if err != nil {
			t.Fatal(err)
		}
		for n := range 201 {
			want := names[plural.Cardinal.MatchPlural(language.MustParse(string(tag)), n, 0, 0, 0, 0)]
			if got, err := p.form(n); err != nil || got != want {
				t.Errorf("%s, %d: got %q, %v; want %q", tag, n, got, err, want)
			}
		}
	}
}
