package locales

import (
	"io/fs"
	"path"
	"strings"
	"testing"
	"testing/fstest"

	"turnstone/care"
)

// small is a folder with one sentence in two languages; change overwrites or
// adds files, and a nil file removes one.
func small(change map[string]string) fs.FS {
	files := map[string]string{
		"registry.toml": "[[language]]\ntag = \"en\"\nname = \"English\"\ndirection = \"ltr\"\nstate = \"source\"\nreading = \"flesch_kincaid\"\n" +
			"[[language]]\ntag = \"es\"\nname = \"Español\"\ndirection = \"ltr\"\nstate = \"draft\"\nreading = \"fernandez_huerta\"\n",
		"en/a.toml": "[\"timer\"]\nclass = \"inform\"\nargs = {minutes = \"int\"}\none = \"In {minutes} minute.\"\nother = \"In {minutes} minutes.\"\n",
		"es/a.toml": "[\"timer\"]\none = \"En {minutes} minuto.\"\nother = \"En {minutes} minutos.\"\n",
	}
	out := fstest.MapFS{}
	for name, text := range files {
		out[name] = &fstest.MapFile{Data: []byte(text)}
	}
	for name, text := range change {
		out[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return out
}

func TestLoadTakesASmallFolder(t *testing.T) {
	b, err := Load(small(nil))
	if err != nil {
		t.Fatal(err)
	}
	if got := b.Keys(); len(got) != 1 || got[0] != "timer" {
		t.Errorf("keys are %v, want timer alone", got)
	}
	if got, want := b.Name("es"), "Español"; got != want {
		t.Errorf("es calls itself %q, want %q", got, want)
	}
}

func TestLoadNamesFileLineAndRemedyOfEachFault(t *testing.T) {
	en := func(body string) map[string]string { return map[string]string{"en/b.toml": body} }
	both := func(first, second string) map[string]string {
		return map[string]string{"en/b.toml": first, "es/b.toml": second}
	}
	one := "[\"a\"]\nclass = \"inform\"\n"
	tests := []struct {
		name   string
		change map[string]string
		want   string
	}{
		{"an unknown class", en("[\"a\"]\nclass = \"informal\"\ntext = \"A.\"\n"), `en/b.toml:2: sentence "a" has class "informal"`},
		{"no class", en("[\"a\"]\ntext = \"A.\"\n"), `en/b.toml:1: sentence "a" has class ""`},
		{"a key that nothing reads", en(one + "txet = \"A.\"\n"), `en/b.toml:3: nothing reads "a.txet"`},
		{"an empty text", en(one + "text = \"\"\n"), `sentence "a" is empty: write a text`},
		{"a text of spaces", en(one + "text = \"  \"\n"), `sentence "a" holds it is empty`},
		{"an unknown placeholder", en(one + "text = \"Call {numbre}.\"\n"), `en/b.toml:3: sentence "a" has no argument "numbre"`},
		{"an argument that is not shown", en(one + "args = {number = \"number\"}\ntext = \"Call.\"\n"), `en/b.toml:4: sentence "a" does not show its argument {number}`},
		{"an unknown type", en(one + "args = {number = \"phone\"}\ntext = \"Call {number}.\"\n"), `en/b.toml:3: argument "number" of "a" has type "phone"`},
		{"double braces", en(one + "text = \"Call {{number}}.\"\n"), `en/b.toml:3: sentence "a" holds double braces`},
		{"a single brace", en(one + "text = \"Call {.\"\n"), `en/b.toml:3: sentence "a" holds a brace that is no placeholder`},
		{"a placeholder with capitals", en(one + "text = \"Call {Number}.\"\n"), `sentence "a" holds a brace that is no placeholder`},
		{"a long number", en(one + "text = \"Call 112.\"\n"), `en/b.toml:3: sentence "a" holds the number 112`},
		{"a bidi control", en(one + "text = \"A\\u202Eb.\"\n"), `sentence "a" holds the hidden character U+202E`},
		{"a zero-width space", en(one + "text = \"A\\u200Bb.\"\n"), `sentence "a" holds the hidden character U+200B`},
		{"a hard space", en(one + "text = \"A\\u00A0b.\"\n"), `sentence "a" holds the character U+00A0`},
		{"a tab", en(one + "text = \"A\\tb.\"\n"), `sentence "a" holds the character U+0009`},
		{"an Arabic digit", en(one + "text = \"A \\u0662.\"\n"), `sentence "a" holds the digit`},
		{"a mention", en(one + "text = \"Tell @everyone.\"\n"), `sentence "a" holds a sign that a platform takes as markup`},
		{"markup", en(one + "text = \"Call *now*.\"\n"), `sentence "a" holds a sign that a platform takes as markup`},
		{"a list mark", en(one + "text = \"\"\"\n1. Call.\n2. Wait.\"\"\"\n"), `sentence "a" holds a sign that a platform takes as markup`},
		{"two spaces", en(one + "text = \"Call  now.\"\n"), `sentence "a" holds two spaces in a row`},
		{"an empty line", en(one + "text = \"\"\"\nCall.\n\nNow.\"\"\"\n"), `sentence "a" holds an empty line`},
		{"a long label", en("[\"label.a\"]\nclass = \"ask\"\ntext = \"" + strings.Repeat("word ", 16) + "x\"\n"), `label "label.a" has 81 characters`},
		{"words that are no label's", en(one + "text = \"A.\"\nwords = [\"b\"]\n"), `en/b.toml:4: sentence "a" has words: only a label may have them`},
		{"a word twice", en("[\"label.a\"]\nclass = \"ask\"\ntext = \"A\"\nwords = [\"b\", \"b\"]\n"), `words of "label.a": "b" is empty, doubled`},
		{"plural forms without a number", en(one + "one = \"A.\"\nother = \"B.\"\n"), `sentence "a" has plural forms, but no argument of type int`},
		{"a missing plural form", en(one + "args = {n = \"int\"}\nother = \"{n} days.\"\n"), `en/b.toml:1: sentence "a" lacks the plural form "one"`},
		{"a plural form of another language", en(one + "args = {n = \"int\"}\none = \"{n}.\"\nfew = \"{n}.\"\nother = \"{n}.\"\n"), `en/b.toml:5: sentence "a" has the plural form "few"`},
		{"text and plural forms", en(one + "args = {n = \"int\"}\ntext = \"{n}.\"\none = \"{n}.\"\nother = \"{n}.\"\n"), `sentence "a" has a text and plural forms`},
		{"a count without plural forms", en(one + "args = {n = \"int\"}\ncount = \"n\"\ntext = \"{n}.\"\n"), `sentence "a" has a count but no plural forms`},
		{"a sentence twice", en("[\"timer\"]\nclass = \"inform\"\ntext = \"A.\"\n"), `en/b.toml:1: sentence "timer" stands in en/a.toml too`},
		{"a sentence that is missing in a language", en(one + "text = \"A.\"\n"), `en/b.toml:1: sentence "a" is missing in es`},
		{"a sentence that the base lacks", map[string]string{"es/b.toml": "[\"a\"]\ntext = \"A.\"\n"}, `es/b.toml:1: sentence "a" is not in en`},
		{"a class in another language", both(one+"text = \"A.\"\n", "[\"a\"]\nclass = \"inform\"\ntext = \"A.\"\n"), `es/b.toml:1: sentence "a": class, args and count stand in en only`},
		{"a plural in another language only", both(one+"text = \"A.\"\n", "[\"a\"]\none = \"A.\"\nother = \"B.\"\n"), `in the base language it has none`},
		{"figures that differ", both(one+"text = \"Wait 15 minutes.\"\n", "[\"a\"]\ntext = \"Espera 20 minutos.\"\n"), `es/b.toml:1: sentence "a" has the figures [20], and [15] in en`},
		{"TOML that is none", en("[\"a\"\n"), "en/b.toml:"},
		{"a value of the wrong type", en("[\"a\"]\nclass = \"inform\"\ntext = 7\n"), "en/b.toml:"},
		{"a folder that is not registered", map[string]string{"fr/a.toml": "[\"a\"]\ntext = \"A.\"\n"}, `fr/a.toml:1: no language "fr" in registry.toml`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Load(small(tt.change))
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
}

func TestLoadReadsTheRegistryStrictly(t *testing.T) {
	block := func(tag, name, direction, state, reading string) string {
		return "[[language]]\ntag = \"" + tag + "\"\nname = \"" + name + "\"\ndirection = \"" + direction + "\"\nstate = \"" + state + "\"\nreading = \"" + reading + "\"\n"
	}
	base := block("en", "English", "ltr", "source", "")
	tests := []struct{ name, registry, want string }{
		{"nothing in it", "", "there is no language"},
		{"no name", block("en", "", "ltr", "source", ""), "a language needs a tag and its own name"},
		{"a direction that is none", block("en", "English", "up", "source", ""), "en: direction is \"up\""},
		{"two base languages", base + block("es", "Español", "ltr", "source", ""), "es: state is \"source\""},
		{"no base language", block("en", "English", "ltr", "draft", ""), "en: state is \"draft\""},
		{"a language twice", base + block("en", "English", "ltr", "draft", ""), "language \"en\" stands here twice"},
		{"an unknown measure", block("en", "English", "ltr", "source", "lix"), "en: no reading measure \"lix\""},
		{"an unknown key", base + "flag = \"x\"\n", "nothing reads \"language.flag\""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Load(small(map[string]string{"registry.toml": tt.registry}))
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
	if _, err := Load(small(map[string]string{"registry.toml": base + block("tlh", "Klingon", "ltr", "draft", "")})); err == nil {
		t.Error("a language without plural rules was taken")
	}
}

func TestLoadGivesAllFaultsAtOnce(t *testing.T) {
	_, err := Load(small(map[string]string{
		"en/b.toml": "[\"a\"]\nclass = \"none\"\ntext = \"Call {x}.\"\n\n[\"b\"]\nclass = \"inform\"\ntext = \"Call 112.\"\n",
		"es/a.toml": "[\"timer\"]\nother = \"En {minutes} minutos.\"\n",
	}))
	if err == nil {
		t.Fatal("no fault was found")
	}
	for _, want := range []string{"en/b.toml:2: ", "en/b.toml:3: ", "en/b.toml:7: ", `es/a.toml:1: sentence "timer" lacks`, `sentence "a" is missing in es`, `sentence "b" is missing in es`} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the faults lack %q:\n%v", want, err)
		}
	}
}

// TestHAZ16_SeededFaultsAreCaught changes the shipped files as a slip of a
// translator would. Each must stop the start.
func TestHAZ16_SeededFaultsAreCaught(t *testing.T) {
	tests := []struct{ name, file, from, to, want string }{
		{"a placeholder is lost", "es/card.toml", "Llama al {number} ahora.\nPide", "Llama ahora.\nPide", `sentence "card.number" does not show its argument {number}`},
		{"a placeholder is misspelt", "es/card.toml", "Llama al {number} ahora.\nPide", "Llama al {numero} ahora.\nPide", `sentence "card.number" has no argument "numero"`},
		{"a figure changes", "es/ask.toml", "(6 cm)", "(8 cm)", `sentence "ask.lateral_malleolus" has the figures`},
		{"a plural is lost", "es/care.toml", "one = \"El reloj", "# one = \"El reloj", `sentence "cold_timer.on" lacks the plural form "one"`},
		{"a sentence is lost", "es/places.toml", "[\"limits\"]", "[\"limitss\"]", `sentence "limits" is missing in es`},
		{"a number is written out", "es/talk.toml", "llama al {number}; no escribas", "llama al 112 o {number}; no escribas", `sentence "intro" holds the number 112`},
		{"a template comes in", "es/talk.toml", "{by}, de la clínica, escribe:", "{{.by}}, de la clínica, escribe:", `sentence "staff.says" holds double braces`},
		{"a direction mark comes in", "es/labels.toml", "text = \"Sí\"", "text = \"\u200fSí\"", `sentence "label.yes" holds the hidden character`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Load(shipped(t, tt.file, tt.from, tt.to))
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
}

// shipped is a copy of Files with one change.
func shipped(t *testing.T, file, from, to string) fs.FS {
	t.Helper()
	out := fstest.MapFS{}
	paths, err := fs.Glob(Files, "*/*.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range append(paths, registryFile) {
		raw, err := fs.ReadFile(Files, p)
		if err != nil {
			t.Fatal(err)
		}
		out[p] = &fstest.MapFile{Data: raw}
	}
	text := string(out[file].Data)
	if strings.Count(text, from) == 0 {
		t.Fatalf("%s does not hold %q", file, from)
	}
	out[file].Data = []byte(strings.ReplaceAll(text, from, to))
	return out
}

func TestFilesHoldsEveryBookOfTheFolder(t *testing.T) {
	for _, p := range []string{registryFile, emergencyFile, crisisFile, "en/card.toml", "es/card.toml"} {
		if _, err := fs.Stat(Files, p); err != nil {
			t.Errorf("%s: %v", p, err)
		}
	}
	for _, name := range []string{"answers.toml", "commands.toml", "danger-words.toml"} {
		if !notSentences(path.Base(name)) {
			t.Errorf("%s is taken for a file of sentences", name)
		}
	}
}

func TestPluralFormsAreChosenByTheCount(t *testing.T) {
	b, err := Load(small(nil))
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		locale care.Locale
		n      string
		want   string
	}{
		{"en", "0", "In 0 minutes."},
		{"en", "1", "In 1 minute."},
		{"en", "21", "In 21 minutes."},
		{"es", "1", "En 1 minuto."},
		{"es", "15", "En 15 minutos."},
	} {
		got, err := b.Text(tt.locale, care.Sentence{Key: "timer", Args: map[string]string{"minutes": tt.n}})
		if err != nil || got != tt.want {
			t.Errorf("%s, %s: got %q, %v; want %q", tt.locale, tt.n, got, err, tt.want)
		}
	}
}
