package locales

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"turnstone/care"
)

// protocolFile is what these tests need of a protocol, read without the
// program's own loader.
type protocolFile struct {
	Facts map[string]struct {
		Kind   string   `yaml:"kind"`
		Values []string `yaml:"values"`
		Danger bool     `yaml:"danger"`
		To     any      `yaml:"to"`
	} `yaml:"facts"`
	Signs  map[string]map[string]any `yaml:"signs"`
	Groups map[string][]string       `yaml:"groups"`
	Talks  map[string]struct {
		Order []struct {
			Screen  string   `yaml:"screen"`
			Plain   bool     `yaml:"plain"`
			Fact    string   `yaml:"fact"`
			Ask     string   `yaml:"ask"`
			Say     string   `yaml:"say"`
			Section string   `yaml:"section"`
			Facts   []string `yaml:"facts"`
			Offers  []string `yaml:"offers"`
		} `yaml:"order"`
	} `yaml:"talks"`
	Raise  []map[string]any `yaml:"raise"`
	Series map[string]any   `yaml:"series"`
	Offers map[string]any   `yaml:"offers"`
}

func protocols(t testing.TB) []protocolFile {
	t.Helper()
	paths, err := filepath.Glob("../flow/protocol/files/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no protocol was found: %v", err)
	}
	var out []protocolFile
	for _, p := range paths {
		raw, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		var f protocolFile
		if err := yaml.Unmarshal(raw, &f); err != nil {
			t.Fatalf("%s: %v", p, err)
		}
		out = append(out, f)
	}
	return out
}

// questions lists what a protocol asks, by the name of its sentence: the facts
// whose labels stand below it.
func (f *protocolFile) questions() map[string][]string {
	out := map[string][]string{}
	for _, talk := range f.Talks {
		for _, step := range talk.Order {
			switch {
			case step.Screen != "":
				out[step.Screen] = f.Groups[step.Screen]
			case step.Ask != "":
				out[step.Ask] = []string{step.Fact}
			case step.Fact != "":
				out[step.Fact] = []string{step.Fact}
			}
			for _, fact := range step.Facts {
				out[fact] = []string{fact}
			}
		}
	}
	return out
}

// labels lists the sentences of the choices of a question, without the shared
// ones (yes, no, not sure, none).
func (f *protocolFile) labels(b *Book, facts []string) []care.SentenceKey {
	var out []care.SentenceKey
	for _, fact := range facts {
		if len(facts) > 1 {
			out = append(out, care.SentenceKey("label."+fact))
			continue
		}
		for _, v := range f.Facts[fact].Values {
			if key := care.SentenceKey("label." + fact + "." + v); b.Has(key) {
				out = append(out, key)
			} else {
				out = append(out, care.SentenceKey("label."+v))
			}
		}
		if f.Facts[fact].Kind == "region" {
			for _, key := range b.Keys() {
				if m, _ := filepath.Match("label.region.*", string(key)); m {
					out = append(out, key)
				}
			}
		}
	}
	return out
}

// TestEveryStepOfEveryProtocolHasItsSentences reads the protocols on its own
// and asks for the question, the reason of asking, the choices, the reasons and
// the first aid that they need.
func TestEveryStepOfEveryProtocolHasItsSentences(t *testing.T) {
	b := book(t)
	var want []care.SentenceKey
	add := func(prefix string, names ...string) {
		for _, n := range names {
			want = append(want, care.SentenceKey(prefix+n))
		}
	}
	for _, f := range protocols(t) {
		for name, facts := range f.questions() {
			add("ask.", name)
			add("why.", name)
			want = append(want, f.labels(b, facts)...)
		}
		for _, talk := range f.Talks {
			for _, step := range talk.Order {
				if step.Plain {
					add("plain.", step.Screen)
				}
				if step.Say != "" {
					add("say.", step.Say)
				}
				add("label.offer.", step.Offers...)
			}
		}
		for fact, is := range f.Facts {
			if is.Danger {
				add("firstaid.", fact)
			}
			if is.To != nil || is.Danger {
				add("reason.", fact)
			}
		}
		for name := range f.Signs {
			if name != string(care.NotSafe) {
				add("firstaid.sign.", name)
			}
		}
		for name := range f.Series {
			add("series.", name)
		}
	}
	for _, s := range care.Signs() {
		add("reason.sign.", string(s))
		add("ask.doubt.", string(s))
	}
	for d := care.Home; d <= care.Ambulance; d++ {
		add("disposition.", d.String())
		if d > care.Home {
			add("seen.no.", d.String())
		}
	}
	for _, k := range []care.Kind{care.YesNo, care.AnyOf, care.OneOf, care.Several, care.Scale, care.Age, care.Since, care.Height, care.Consent, care.NextOf} {
		add("example.", string(k))
	}
	for _, region := range numbers(t).Regions() {
		add("label.region.", region)
	}
	for _, s := range numbers(t).Places() {
		want = append(want, s.Key, care.SentenceKey(s.Args["places"][1:]))
	}
	if err := b.Check(want); err != nil {
		t.Error(err)
	}
	if len(want) < 300 {
		t.Errorf("only %d sentences were asked for: the protocol was not read", len(want))
	}
}

// TestI18N06_LabelsOfOneQuestionDiffer folds case and accents, and also sees
// to it that no further word stands for two choices of one question. All that
// may be offered below a text counts as one question.
func TestI18N06_LabelsOfOneQuestionDiffer(t *testing.T) {
	b := book(t)
	offers := []care.SentenceKey{"label.next"}
	for _, key := range b.Keys() {
		if strings.HasPrefix(string(key), "label.offer.") {
			offers = append(offers, key)
		}
	}
	for _, locale := range b.Locales() {
		differ(t, b, locale, "the offers", offers)
		for _, f := range protocols(t) {
			for name, facts := range f.questions() {
				keys := append(f.labels(b, facts), "label.yes", "label.no", "label.unsure", "label.none")
				slices.Sort(keys)
				differ(t, b, locale, "ask."+name, slices.Compact(keys))
			}
		}
	}
}

func differ(t *testing.T, b *Book, locale care.Locale, question string, keys []care.SentenceKey) {
	t.Helper()
	seen := map[string]care.SentenceKey{}
	for _, key := range keys {
		text, err := b.Text(locale, care.Sentence{Key: key})
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range append([]string{text}, b.Words(locale, key)...) {
			if was, twice := seen[fold(word)]; twice && was != key {
				t.Errorf("%s %s: %q stands for %s and %s", locale, question, word, was, key)
			}
			seen[fold(word)] = key
		}
	}
}
