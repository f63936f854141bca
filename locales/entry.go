package locales

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"turnstone/care"
)

// An entry is one sentence of a file, as written.
type entry struct {
	Class care.SentenceClass `toml:"class"`
	Note  string             `toml:"note"`
	Args  map[string]argType `toml:"args"`
	Count string             `toml:"count"`
	Text  string             `toml:"text"`
	Zero  string             `toml:"zero"`
	One   string             `toml:"one"`
	Two   string             `toml:"two"`
	Few   string             `toml:"few"`
	Many  string             `toml:"many"`
	Other string             `toml:"other"`
	Words []string           `toml:"words"`

	src    *source
	key    care.SentenceKey
	faults []error
}

// labelPrefix begins the key of everything that can be pressed.
const labelPrefix = "label."

var classes = []care.SentenceClass{
	care.ClassDanger, care.ClassDisposition, care.ClassProtect, care.ClassHomeCare,
	care.ClassReassure, care.ClassAsk, care.ClassInform, care.ClassStaff,
}

// line finds the line of mark inside the entry, and the entry's own line where
// mark is empty or not found.
func (e *entry) line(mark string) int {
	head := e.src.lineOf(0, `["`+string(e.key)+`"]`)
	for i := head; i < len(e.src.lines) && !strings.HasPrefix(e.src.lines[i], "["); i++ {
		if mark != "" && strings.Contains(e.src.lines[i], mark) {
			return i + 1
		}
	}
	return head
}

// fault notes a fault of the entry's file, at the line of mark.
func (e *entry) fault(mark, format string, args ...any) {
	err := fmt.Errorf("%s:%d: %s", e.src.path, e.line(mark), fmt.Sprintf(format, args...))
	e.src.faults = append(e.src.faults, err)
	e.faults = append(e.faults, err)
}

// written returns the texts that the entry holds, by plural form. A text
// without plural forms stands under "other".
func (e *entry) written() map[string]string {
	all := map[string]string{"zero": e.Zero, "one": e.One, "two": e.Two, "few": e.Few, "many": e.Many, otherForm: e.Other}
	maps.DeleteFunc(all, func(_, text string) bool { return text == "" })
	if e.Text != "" {
		all[otherForm] = e.Text
	}
	return all
}

// plural reports whether the entry has plural forms.
func (e *entry) plural() bool {
	return e.Zero+e.One+e.Two+e.Few+e.Many+e.Other != ""
}

// learnBase takes class and arguments of every sentence from the base language.
func (b *Book) learnBase(entries map[care.SentenceKey]*entry) error {
	var faults []error
	for _, key := range slices.Sorted(maps.Keys(entries)) {
		e := entries[key]
		if !slices.Contains(classes, e.Class) {
			e.fault("class", "sentence %q has class %q: write one of %v", key, e.Class, classes)
		}
		for _, name := range slices.Sorted(maps.Keys(e.Args)) {
			if !e.Args[name].known() || !argumentName.MatchString(name) {
				e.fault("args", "argument %q of %q has type %q: write int, number, name, text, lines or sentence, and a name of small letters", name, key, e.Args[name])
			}
		}
		b.plain[key] = &sentence{class: e.Class, args: e.Args, count: e.counts()}
		faults = append(faults, e.faults...)
		e.faults = nil
	}
	return errors.Join(faults...)
}

// counts finds the argument that chooses the plural form.
func (e *entry) counts() string {
	if !e.plural() {
		if e.Count != "" {
			e.fault("count", "sentence %q has a count but no plural forms: write one and other, or remove the count", e.key)
		}
		return ""
	}
	var ints []string
	for name, t := range e.Args {
		if t == argInt {
			ints = append(ints, name)
		}
	}
	switch {
	case e.Count != "" && e.Args[e.Count] == argInt:
		return e.Count
	case e.Count == "" && len(ints) == 1:
		return ints[0]
	}
	e.fault("", "sentence %q has plural forms, but no argument of type int to count by: add it, or name it with count", e.key)
	return ""
}

// learn takes the texts of one language.
func (b *Book) learn(tag care.Locale, entries map[care.SentenceKey]*entry) error {
	needed, err := b.forms[tag].needed()
	if err != nil {
		return err
	}
	base := tag == b.languages[0].Tag
	b.texts[tag] = map[care.SentenceKey]*wording{}
	var faults []error
	for _, key := range slices.Sorted(maps.Keys(entries)) {
		e := entries[key]
		if !base && (e.Class != "" || e.Args != nil || e.Count != "") {
			e.fault("", "sentence %q: class, args and count stand in %s only: remove them here", key, b.languages[0].Tag)
		}
		w := &wording{forms: map[string][]part{}, words: e.Words, written: e.written()}
		if plain := b.plain[key]; plain != nil {
			e.checkForms(plain, needed)
			for form, text := range e.written() {
				w.forms[form] = e.parts(plain, text)
			}
		}
		e.checkWords()
		b.texts[tag][key] = w
		faults = append(faults, e.faults...)
		e.faults = nil
	}
	return errors.Join(faults...)
}

// checkForms compares the plural forms with those that the language needs.
func (e *entry) checkForms(plain *sentence, needed map[string]bool) {
	switch {
	case e.Text != "" && e.plural():
		e.fault("text", "sentence %q has a text and plural forms: keep one of them", e.key)
	case e.Text == "" && !e.plural():
		e.fault("text", "sentence %q is empty: write a text", e.key)
	case e.plural() && plain.count == "":
		e.fault("", "sentence %q has plural forms, and in the base language it has none: write one text", e.key)
	case e.plural():
		written := e.written()
		for _, form := range slices.Sorted(maps.Keys(needed)) {
			if written[form] == "" {
				e.fault("", "sentence %q lacks the plural form %q: add it", e.key, form)
			}
		}
		for _, form := range slices.Sorted(maps.Keys(written)) {
			if !needed[form] {
				e.fault(form, "sentence %q has the plural form %q, which this language does not use: remove it", e.key, form)
			}
		}
	}
}

// checkWords reads the further words of a label.
func (e *entry) checkWords() {
	if len(e.Words) > 0 && !strings.HasPrefix(string(e.key), labelPrefix) {
		e.fault("words", "sentence %q has words: only a label may have them", e.key)
	}
	seen := map[string]bool{}
	for _, w := range e.Words {
		if faults := lintText(w); len(faults) > 0 || strings.Contains(w, "\n") || seen[w] {
			e.fault(w, "words of %q: %q is empty, doubled or holds a sign that must not be there: correct it", e.key, w)
		}
		seen[w] = true
	}
}

// compareDigits finds figures that differ from the base language: 15 minutes
// must stay 15 minutes.
func (b *Book) compareDigits(raw map[care.Locale]map[care.SentenceKey]*entry) error {
	var faults []error
	base := b.languages[0].Tag
	for _, l := range b.languages[1:] {
		for _, key := range slices.Sorted(maps.Keys(raw[l.Tag])) {
			e, from := raw[l.Tag][key], raw[base][key]
			if from == nil {
				continue
			}
			want := digitsOf(from.written()[otherForm])
			for _, form := range slices.Sorted(maps.Keys(e.written())) {
				if got := digitsOf(e.written()[form]); !slices.Equal(got, want) {
					faults = append(faults, fmt.Errorf("%s:%d: sentence %q has the figures %v, and %v in %s: make them the same", e.src.path, e.line(""), key, got, want, base))
				}
			}
		}
	}
	return errors.Join(faults...)
}
