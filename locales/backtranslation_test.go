package locales

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"turnstone/care"
)

// backFile holds what a second person took each safety sentence of a language
// to say, in the base language. The program does not read it.
const backFile = "backtranslation.tsv"

const backHead = "key\thash\tmeaning"

// A backRow is one sentence as it was read back, and the hash of its text then.
type backRow struct{ hash, meaning string }

// textHash is the first eight hexadecimal digits of the SHA-256 of a text.
// Plural forms stand one below the other, in the order of their names.
func textHash(text string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(text)))[:8] }

// wholeText is an entry's text, or its plural forms in the order of their names.
func wholeText(e *entry) string {
	forms := e.written()
	var lines []string
	for _, f := range slices.Sorted(maps.Keys(forms)) {
		lines = append(lines, forms[f])
	}
	return strings.Join(lines, "\n")
}

// readBack reads the file of a language: a head, then a row for each sentence
// in the order of the keys.
func readBack(data string) (map[care.SentenceKey]backRow, error) {
	lines := strings.Split(strings.TrimSuffix(data, "\n"), "\n")
	if lines[0] != backHead {
		return nil, fmt.Errorf("line 1: %q, want %q", lines[0], backHead)
	}
	rows, last := map[care.SentenceKey]backRow{}, ""
	for i, line := range lines[1:] {
		cells := strings.Split(line, "\t")
		if len(cells) != 3 || strings.TrimSpace(cells[2]) == "" {
			return nil, fmt.Errorf("line %d: want a key, a hash and a meaning: %q", i+2, line)
		}
		if cells[0] <= last {
			return nil, fmt.Errorf("line %d: %s stands behind %s: each key once, in order", i+2, cells[0], last)
		}
		last = cells[0]
		rows[care.SentenceKey(cells[0])] = backRow{cells[1], cells[2]}
	}
	return rows, nil
}

// backFaults compares the rows with the sentences. A meaning is in the base
// language, with " / " between lines: it must have the lines, the figures and
// the placeholders of its sentence. Whether it says the same only a reader of
// both can tell.
func backFaults(rows map[care.SentenceKey]backRow, now map[care.SentenceKey]*entry, keys []care.SentenceKey) []string {
	var out []string
	for _, key := range keys {
		e := now[key]
		if e == nil {
			out = append(out, fmt.Sprintf("%s: no such sentence", key))
			continue
		}
		text, row := wholeText(e), rows[key]
		back := strings.ReplaceAll(row.meaning, " / ", "\n")
		switch {
		case row.meaning == "":
			out = append(out, fmt.Sprintf("%s: nobody has read this back: %q; its hash is %s", key, text, textHash(text)))
		case row.hash != textHash(text):
			out = append(out, fmt.Sprintf("%s: it has changed since it was read back as %q; say anew what %q means; its hash is %s", key, row.meaning, text, textHash(text)))
		case strings.Count(back, "\n") != strings.Count(text, "\n"):
			out = append(out, fmt.Sprintf("%s: %q has not the lines of %q", key, row.meaning, text))
		case !slices.Equal(digitsOf(back), digitsOf(text)):
			out = append(out, fmt.Sprintf("%s: the figures of %q are not those of %q", key, row.meaning, text))
		case !slices.Equal(holes(back), holes(text)):
			out = append(out, fmt.Sprintf("%s: the placeholders of %q are not those of %q", key, row.meaning, text))
		}
	}
	for _, key := range slices.Sorted(maps.Keys(rows)) {
		if !slices.Contains(keys, key) {
			out = append(out, fmt.Sprintf("%s: this is no safety sentence: remove the row", key))
		}
	}
	return out
}

func holes(text string) []string {
	out := placeholder.FindAllString(text, -1)
	slices.Sort(out)
	return out
}

// safetyKeys are the sentences by which somebody could come to harm if they
// said another thing: all that is said of danger, of where to go and of care,
// and the questions and choices that can end in an emergency.
func safetyKeys(t testing.TB, b *Book) []care.SentenceKey {
	t.Helper()
	keys := []care.SentenceKey{"label.yes", "label.no", "label.unsure", "label.none"}
	for _, key := range b.Keys() {
		class, _ := b.Class(key)
		prefix := func(p string) bool { return strings.HasPrefix(string(key), p) }
		if !slices.Contains([]care.SentenceClass{care.ClassAsk, care.ClassInform, care.ClassStaff}, class) || prefix("plain.") || prefix("ask.doubt.") {
			keys = append(keys, key)
		}
	}
	for _, f := range protocols(t) {
		urgent := f.urgent()
		for name, facts := range f.questions() {
			if slices.ContainsFunc(facts, func(fact string) bool { return urgent[fact] }) {
				keys = append(append(keys, care.SentenceKey("ask."+name)), f.labels(b, facts)...)
			}
		}
	}
	slices.Sort(keys)
	return slices.Compact(keys)
}

// urgent finds the facts that can lead to an emergency department or an
// ambulance, alone or with another.
func (f *protocolFile) urgent() map[string]bool {
	out := map[string]bool{}
	for name, fact := range f.Facts {
		if fact.Danger || slices.ContainsFunc(words(fact.To), severe) {
			out[name] = true
		}
	}
	for _, row := range f.Raise {
		if !severe(fmt.Sprint(row["to"])) {
			continue
		}
		for _, w := range words(row) {
			if _, is := f.Facts[w]; is {
				out[w] = true
			}
		}
	}
	return out
}

func severe(d string) bool { return d == care.Emergency.String() || d == care.Ambulance.String() }

// words lists every word within a value, keys too.
func words(v any) []string {
	switch v := v.(type) {
	case string:
		return []string{v}
	case []any:
		var out []string
		for _, x := range v {
			out = append(out, words(x)...)
		}
		return out
	case map[string]any:
		var out []string
		for k, x := range v {
			out = append(append(out, k), words(x)...)
		}
		return out
	}
	return nil
}

// TestI18N09_SafetySentencesAreReadBack asks, for each safety sentence of each
// language, what a second person says it means, and asks anew when it changes.
func TestI18N09_SafetySentencesAreReadBack(t *testing.T) {
	b := book(t)
	keys := safetyKeys(t, b)
	for _, must := range []care.SentenceKey{"ask.danger_a", "label.heavy_bleeding", "plain.danger_b", "firstaid.deformed", "card.go", "ask.ride", "ask.wound_deep", "reason.ride", "disposition.home", "say.care_wrap"} {
		if !slices.Contains(keys, must) {
			t.Errorf("%s is not among the safety sentences", must)
		}
	}
	for _, locale := range b.Locales()[1:] {
		data, err := os.ReadFile(filepath.Join(string(locale), backFile))
		if err != nil {
			t.Fatal(err)
		}
		rows, err := readBack(string(data))
		if err != nil {
			t.Fatalf("%s/%s: %v", locale, backFile, err)
		}
		now, err := readLanguage(Files, locale)
		if err != nil {
			t.Fatal(err)
		}
		for _, fault := range backFaults(rows, now, keys) {
			t.Errorf("%s/%s: %s", locale, backFile, fault)
		}
		t.Logf("%s: %d safety sentences read back", locale, len(rows))
	}
}

// TestAChangeAsksForANewReading seeds the faults that the test above is for.
func TestAChangeAsksForANewReading(t *testing.T) {
	key := care.SentenceKey("card.number")
	text := "No esperes 10 minutos.\nLlama al {number}."
	good := backRow{textHash(text), "Do not wait 10 minutes. / Call {number}."}
	tests := []struct {
		name, text string
		row        backRow
		want       string
	}{
		{"as it was read", text, good, ""},
		{"a dropped not", "Espera 10 minutos.\nLlama al {number}.", good, "it has changed"},
		{"no row", text, backRow{}, "nobody has read this back"},
		{"a line less", text, backRow{good.hash, "Do not wait 10 minutes, call {number}."}, "has not the lines"},
		{"another figure", text, backRow{good.hash, "Do not wait 15 minutes. / Call {number}."}, "the figures"},
		{"no number", text, backRow{good.hash, "Do not wait 10 minutes. / Call them."}, "the placeholders"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			rows := map[care.SentenceKey]backRow{}
			if tt.row != (backRow{}) {
				rows[key] = tt.row
			}
			got := strings.Join(backFaults(rows, map[care.SentenceKey]*entry{key: {Text: tt.text}}, []care.SentenceKey{key}), "\n")
			if (got == "") != (tt.want == "") || !strings.Contains(got, tt.want) {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
	if got := backFaults(map[care.SentenceKey]backRow{key: good}, nil, nil); len(got) != 1 || !strings.Contains(got[0], "remove the row") {
		t.Errorf("a row too many gave %q", got)
	}
	for _, bad := range []string{"key\tmeaning\n", backHead + "\na\tb\n", backHead + "\na\tb\t \n", backHead + "\nb\t1\tx\na\t1\tx\n", backHead + "\na\t1\tx\na\t1\tx\n"} {
		if _, err := readBack(bad); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

// TestLoadPassesOverWhatIsNoTOML: a language folder may hold the notes of its
// readers.
func TestLoadPassesOverWhatIsNoTOML(t *testing.T) {
	if _, err := Load(small(map[string]string{"es/" + backFile: "no TOML at all\n", "fr/" + backFile: backHead + "\n"})); err != nil {
		t.Error(err)
	}
}
