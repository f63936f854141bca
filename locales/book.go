package locales

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"turnstone/care"
)

// A Book holds every sentence in every language. It never changes after Load
// and may be used by many goroutines at once.
type Book struct {
	languages []Language // the base language first
	plain     map[care.SentenceKey]*sentence
	forms     map[care.Locale]*plurals
	texts     map[care.Locale]map[care.SentenceKey]*wording
	spoken    func(care.Locale, care.SentenceKey) bool // nil: everything
}

// A Language is one block of registry.toml.
type Language struct {
	Tag       care.Locale
	Name      string // its own name for itself
	Direction string // "ltr" or "rtl"
	State     string // source, draft or reviewed
	Reading   string // which measure of package reading fits it; empty where none does
}

// A sentence is what the base language fixes for all languages.
type sentence struct {
	class care.SentenceClass
	args  map[string]argType
	count string // the argument that chooses the plural form, empty where there is none
}

// A wording is a sentence in one language: a text for each plural form. A text
// without plural forms stands under "other".
type wording struct {
	forms   map[string][]part
	words   []string
	written map[string]string // the forms as they stand in the file
}

// A part is a piece of text, or the name of an argument.
type part struct {
	text string
	arg  string
}

// Has reports whether there is a sentence called key.
func (b *Book) Has(key care.SentenceKey) bool { return b.plain[key] != nil }

// Class returns the class of a sentence, by which the gate stops it.
func (b *Book) Class(key care.SentenceKey) (care.SentenceClass, bool) {
	s := b.plain[key]
	if s == nil {
		return "", false
	}
	return s.class, true
}

// Keys lists every sentence key in alphabetical order.
func (b *Book) Keys() []care.SentenceKey { return slices.Sorted(maps.Keys(b.plain)) }

// Args gives the argument names of a sentence with their types, and nil for a
// sentence without arguments.
func (b *Book) Args(key care.SentenceKey) map[string]string {
	s := b.plain[key]
	if s == nil || len(s.args) == 0 {
		return nil
	}
	out := map[string]string{}
	for name, t := range s.args {
		out[name] = string(t)
	}
	return out
}

// Locales lists the languages, the base language first.
func (b *Book) Locales() []care.Locale {
	out := make([]care.Locale, len(b.languages))
	for i, l := range b.languages {
		out[i] = l.Tag
	}
	return out
}

// Language returns what the registry says about a language.
func (b *Book) Language(locale care.Locale) (Language, bool) {
	i := slices.IndexFunc(b.languages, func(l Language) bool { return l.Tag == locale })
	if i < 0 {
		return Language{}, false
	}
	return b.languages[i], true
}

// Name returns a language's own name for itself, and "" for an unknown one.
func (b *Book) Name(locale care.Locale) string {
	l, _ := b.Language(locale)
	return l.Name
}

// Words lists further words by which people name the choice with this label;
// where the label is said in the base language, its own text is one of them.
func (b *Book) Words(locale care.Locale, key care.SentenceKey) []string {
	w := b.texts[locale][key]
	if w == nil {
		return nil
	}
	words := slices.Clone(w.words)
	if base := b.texts[b.languages[0].Tag][key]; b.instead(locale, key) {
		words = append(append(words, w.written[otherForm]), base.words...)
	}
	return words
}

// Spoken reports whether a sentence may be said in a language, and not only in
// the base language in its place.
func (b *Book) Spoken(locale care.Locale, key care.SentenceKey) bool { return !b.instead(locale, key) }

// instead reports whether a sentence is said in the base language in place of
// this one.
func (b *Book) instead(locale care.Locale, key care.SentenceKey) bool {
	return b.spoken != nil && b.texts[locale] != nil && !b.spoken(locale, key)
}

// Written gives a sentence as it stands in its file, to be signed: its class
// and arguments, a line for each form, and the further words of a label.
func (b *Book) Written(locale care.Locale, key care.SentenceKey) string {
	plain, w := b.plain[key], b.texts[locale][key]
	if plain == nil || w == nil {
		return ""
	}
	out := []string{"class " + string(plain.class)}
	for _, name := range slices.Sorted(maps.Keys(plain.args)) {
		out = append(out, fmt.Sprintf("argument %s %s", name, plain.args[name]))
	}
	for _, form := range slices.Sorted(maps.Keys(w.written)) {
		out = append(out, form+" "+w.written[form])
	}
	for _, word := range w.words {
		out = append(out, "word "+word)
	}
	return strings.Join(out, "\n") + "\n"
}

// Speaking is the same book in which a sentence that may not be said in a
// language, as spoken tells, is said in the base language. What people may type
// stays as it is: words are read in every language.
func (b *Book) Speaking(spoken func(care.Locale, care.SentenceKey) bool) *Book {
	other := *b
	other.spoken = spoken
	return &other
}

// Check answers with one fault for each key that is no sentence.
// Load has seen to it that a sentence exists in every language or in none.
func (b *Book) Check(keys []care.SentenceKey) error {
	var faults []error
	for _, k := range slices.Compact(slices.Sorted(slices.Values(keys))) {
		for _, l := range b.languages {
			if b.texts[l.Tag][k] == nil {
				faults = append(faults, fmt.Errorf("%s: no sentence for %q: add it to a file of %s/", l.Tag, k, l.Tag))
			}
		}
	}
	return errors.Join(faults...)
}

// Text renders a sentence in a language: one or more lines joined by "\n". It
// answers with an error for an unknown language or key, for a missing, unknown
// or badly formed argument, and never with an empty or half-filled text.
func (b *Book) Text(locale care.Locale, s care.Sentence) (string, error) {
	if b.instead(locale, s.Key) {
		locale = b.languages[0].Tag
	}
	plain, w := b.plain[s.Key], b.texts[locale][s.Key]
	switch {
	case b.forms[locale] == nil:
		return "", fmt.Errorf("no language %q: it is not in registry.toml", locale)
	case plain == nil || w == nil:
		return "", fmt.Errorf("%s: no sentence for %q", locale, s.Key)
	}
	for name := range s.Args {
		if _, ok := plain.args[name]; !ok {
			return "", fmt.Errorf("%s: sentence %q takes no argument %q", locale, s.Key, name)
		}
	}
	values := make(map[string]string, len(plain.args))
	for name, t := range plain.args {
		raw, ok := s.Args[name]
		if !ok {
			return "", fmt.Errorf("%s: sentence %q lacks its argument %q", locale, s.Key, name)
		}
		v, err := b.value(locale, t, raw)
		if err != nil {
			return "", fmt.Errorf("%s: sentence %q, argument %q: %w", locale, s.Key, name, err)
		}
		values[name] = v
	}
	return b.fill(locale, s.Key, plain, w, values)
}

// fill puts checked values into the plural form that fits.
func (b *Book) fill(locale care.Locale, key care.SentenceKey, plain *sentence, w *wording, values map[string]string) (string, error) {
	form := otherForm
	if len(w.forms) > 1 {
		n, err := strconv.Atoi(values[plain.count])
		if err != nil {
			return "", fmt.Errorf("%s: sentence %q counts by %q, which is no whole number: %w", locale, key, plain.count, err)
		}
		if form, err = b.forms[locale].form(n); err != nil {
			return "", fmt.Errorf("%s: sentence %q: %w", locale, key, err)
		}
	}
	parts := w.forms[form]
	if len(parts) == 0 {
		return "", fmt.Errorf("%s: sentence %q has no plural form %q", locale, key, form)
	}
	l, _ := b.Language(locale)
	var out strings.Builder
	for _, p := range parts {
		switch {
		case p.arg == "":
			out.WriteString(p.text)
		case l.Direction == "rtl":
			out.WriteString("\u2068" + values[p.arg] + "\u2069") // keeps digits and names in their own direction
		default:
			out.WriteString(values[p.arg])
		}
	}
	return out.String(), nil
}
