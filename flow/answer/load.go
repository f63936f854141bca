package answer

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"
	"turnstone/care"
)

// fileName is the language data that stands in each language's folder.
const fileName = "answers.toml"

// file is answers.toml as written.
type file struct {
	Common    []string                  `toml:"common"`
	Sets      map[string][]string       `toml:"sets"`
	Numbers   numberData                `toml:"numbers"`
	DateOrder string                    `toml:"date_order"` // "month_day" or "day_month"
	Say       map[string]map[string]any `toml:"say"`
	Choice    choiceData                `toml:"choice"`
}

// sections names the phrase tables and the labels that each must have. A label
// that ends in "." holds a table of values. [say.shared] joins the others.
var sections = map[string][]string{
	"shared":   {"fix", "undo", "ask", "then", "now", "turn"},
	"yesno":    {"yes", "no", "firm", "some", "so", "not", "faint", "unsure", "pass"},
	"consent":  {"yes", "no", "hold", "pass"},
	"better":   {"better", "worse", "same", "verdict", "pass"},
	"side":     {"left", "right", "both", "fine", "not", "other", "or", "unsure", "nay", "pass"},
	"scale":    {"zero", "over", "frame", "not", "nay", "pass"},
	"since":    {"unit.", "amount.", "length.", "day.", "clock.", "weekday.", "month.", "feast.", "hour.", "monthday", "last", "ahead", "not", "nay", "or", "for", "weekend", "pass"},
	"age":      {"unit.", "born", "soon", "done", "today", "about", "span", "class", "self", "them", "fixed.", "nay", "pass"},
	"height":   {"unit.", "and", "nay", "pass"},
	"choice":   {"none", "all", "both", "unsure", "not", "other"},
	"group":    {"none", "no", "fine", "notfine", "unsure", "except", "plain"},
	"place":    {"pick", "and"},
	"next":     {"next"},
	"span":     {"over", "under", "times."},
	"ago":      {"from."},
	"polite":   {"polite"},
	"commands": commandNames(),
	"language": {"name."},
}

func commandNames() []string {
	var out []string
	for _, c := range []care.Command{
		care.CmdHuman, care.CmdWhy, care.CmdBack, care.CmdStartOver, care.CmdStop, care.CmdKept,
		care.CmdDelete, care.CmdLanguage, care.CmdHide, care.CmdOther, care.CmdSkip, care.CmdHelp, care.CmdGreeting,
	} {
		out = append(out, string(c))
	}
	return out
}

// A language is the data of one language, ready to read with.
type language struct {
	name     care.Locale
	known    map[string]bool
	numbers  *numbers
	dayFirst bool
	books    map[string]*book
	choice   *choiceWords
	ordinals map[string]int
	suffixes map[string]bool
}

// Load reads answers.toml of every language folder of fsys. It answers with
// every fault, one a line, each with its file and line, and loads nothing then.
func Load(fsys fs.FS) (*Reader, error) {
	paths, err := fs.Glob(fsys, "*/"+fileName)
	if err != nil {
		return nil, fmt.Errorf("look for %s: %w", fileName, err)
	}
	if len(paths) == 0 {
		return nil, fmt.Errorf("no language has a %s: give one at least, such as en/%s", fileName, fileName)
	}
	r := &Reader{}
	var faults []error
	for _, p := range paths {
		l, err := loadLanguage(fsys, p)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		r.languages = append(r.languages, l)
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return r, nil
}

// loader gathers the faults of one file.
type loader struct {
	path   string
	lines  []string
	sets   map[string][][]string
	faults []error
}

// fault notes a fault at the first line that holds all of the marks.
func (ld *loader) fault(format string, marks []string, args ...any) {
	n := 1
	for i, line := range ld.lines {
		if !slices.ContainsFunc(marks, func(m string) bool { return !strings.Contains(line, m) }) {
			n = i + 1
			break
		}
	}
	ld.faults = append(ld.faults, fmt.Errorf("%s:%d: %s", ld.path, n, fmt.Sprintf(format, args...)))
}

func loadLanguage(fsys fs.FS, path string) (*language, error) {
	raw, err := fs.ReadFile(fsys, path)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	ld := &loader{path: path, lines: strings.Split(string(raw), "\n")}
	var f file
	meta, err := toml.Decode(string(raw), &f)
	if perr, ok := errors.AsType[toml.ParseError](err); ok {
		return nil, fmt.Errorf("%s:%d: %s: correct the TOML there", path, perr.Position.Line, perr.Message)
	}
	if err != nil {
		return nil, fmt.Errorf("%s:1: %w: correct the type of that value", path, err)
	}
	for _, k := range meta.Undecoded() {
		if k[0] == "say" {
			continue // checked below, label by label
		}
		ld.fault("nothing reads %q: correct the name, or remove it", []string{k[len(k)-1]}, k)
	}
	l := ld.build(&f)
	l.name = care.Locale(strings.SplitN(path, "/", 2)[0])
	return l, errors.Join(ld.faults...)
}

// build makes a language of a file and checks it whole.
func (ld *loader) build(f *file) *language {
	l := &language{known: map[string]bool{}, books: map[string]*book{}, ordinals: map[string]int{}, suffixes: setOf(f.Numbers.Suffixes)}
	switch f.DateOrder {
	case "day_month":
		l.dayFirst = true
	case "month_day":
	default:
		ld.fault(`date_order is %q: write "month_day" or "day_month"`, []string{"date_order"}, f.DateOrder)
	}
	n, err := newNumbers(f.Numbers)
	if err != nil {
		ld.fault("%v", []string{"half"}, err)
		return l
	}
	if len(n.words) == 0 {
		ld.fault("there are no number words: fill [numbers.words]", []string{"[numbers"})
	}
	l.numbers = n
	ld.readSets(f)
	for w, v := range f.Numbers.Ordinals {
		l.ordinals[fold(w)] = v
	}
	for _, name := range slices.Sorted(maps.Keys(f.Say)) {
		if sections[name] == nil {
			ld.fault("no part of the reader is called %q: correct the name, or remove it", []string{"[say." + name}, name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(sections)) {
		l.books[name] = ld.book(f, name)
	}
	l.choice = ld.choice(&f.Choice)
	ld.learn(l, f)
	return l
}

// readSets folds the words of [sets] once for all phrases.
func (ld *loader) readSets(f *file) {
	ld.sets = map[string][][]string{}
	for name, rows := range f.Sets {
		for _, r := range rows {
			row, err := wordRow(r)
			if err != nil {
				ld.fault("%v", []string{`"` + r + `"`}, err)
				continue
			}
			ld.sets[name] = append(ld.sets[name], row)
		}
	}
}

// answerSections are those that read answers: the shared phrases join them,
// unless a section has a list of its own under the same label.
var answerSections = []string{"yesno", "consent", "better", "side", "scale", "since", "age", "height", "choice"}

// book compiles one section, and the shared one into it.
func (ld *loader) book(f *file, name string) *book {
	b := &book{}
	seen := map[string]string{}
	ld.fill(b, f, name, seen)
	if !slices.Contains(answerSections, name) {
		return b
	}
	for _, label := range sections["shared"] {
		at := where{"shared", label, ""}
		rows, own := f.Say[name][label]
		if !own {
			rows = f.Say["shared"][label]
		}
		if rows != nil { // its absence is the fault of the shared section
			ld.rows(b, f, at, rows, false, seen)
		}
	}
	return b
}

func (ld *loader) fill(b *book, f *file, name string, seen map[string]string) {
	for _, label := range sections[name] {
		key, wide := strings.CutSuffix(label, ".")
		rows, ok := f.Say[name][key]
		if !ok {
			ld.fault("[say.%s] lacks %q: add it, with a list of phrases (it may be empty)", []string{"[say." + name}, name, key)
			continue
		}
		ld.rows(b, f, where{name, key, ""}, rows, wide, seen)
	}
	for _, key := range slices.Sorted(maps.Keys(f.Say[name])) {
		if !slices.ContainsFunc([]string{key, key + "."}, func(k string) bool {
			return slices.Contains(sections[name], k) || slices.Contains(sections["shared"], k)
		}) {
			ld.fault("[say.%s] has an unknown %q: correct the name, or remove it", []string{key}, name, key)
		}
	}
}

// where is a place in the file.
type where struct{ section, label, value string }

// rows adds the phrases of one label: a list, or where wide a table of lists.
func (ld *loader) rows(b *book, f *file, at where, rows any, wide bool, seen map[string]string) {
	switch rows := rows.(type) {
	case map[string]any:
		if wide {
			for _, v := range slices.Sorted(maps.Keys(rows)) {
				if err := checkValue(at.label, v); err != nil {
					ld.fault("%v", []string{v}, err)
				}
				ld.rows(b, f, where{at.section, at.label, v}, rows[v], false, seen)
			}
			return
		}
	case []any:
		if !wide {
			for _, r := range rows {
				ld.row(b, f, at, r, seen)
			}
			return
		}
	}
	ld.fault("[say.%s] %q is not a list of phrases: write [\"...\", \"...\"], or a table of such lists where values are needed", []string{at.label}, at.section, at.label)
}

func (ld *loader) row(b *book, f *file, at where, r any, seen map[string]string) {
	text, ok := r.(string)
	if !ok {
		ld.fault("[say.%s] %q holds %v: write it in quotes", []string{at.label}, at.section, at.label, r)
		return
	}
	place := at.label + " " + at.value
	if was, again := seen[text]; again && was != place && at.section != "shared" {
		ld.fault("phrase %q stands under %q and under %q: keep one", []string{`"` + text + `"`}, text, was, place)
	}
	seen[text] = place
	if err := b.add(at.label, at.value, text, ld.sets); err != nil {
		ld.fault("%v", []string{`"` + text + `"`}, err)
	}
}

// learn gathers every word of the language, and each book's own vocabulary.
func (ld *loader) learn(l *language, f *file) {
	for _, w := range f.Common {
		for one := range strings.FieldsSeq(w) {
			l.known[fold(one)] = true
		}
	}
	for w := range l.numbers.words {
		l.known[w] = true
	}
	for name, b := range l.books {
		b.vocab = b.words()
		for _, w := range b.vocab {
			l.known[w] = true
		}
		if slices.Contains([]string{"scale", "since", "age", "height", "choice"}, name) {
			b.vocab = append(b.vocab, slices.Sorted(maps.Keys(f.Numbers.Words))...)
		}
	}
	for _, w := range l.choice.words {
		l.known[w] = true
	}
	for w := range l.choice.stop {
		l.known[w] = true
	}
	for w := range l.ordinals {
		l.known[w] = true
	}
}

// words lists the plain words of a book, once each.
func (b *book) words() []string {
	have := map[string]bool{}
	for _, p := range b.all {
		for _, e := range p.elems {
			for _, row := range e.words {
				for _, w := range row {
					have[w] = true
				}
			}
		}
	}
	maps.DeleteFunc(have, func(w string, _ bool) bool { return strings.ContainsAny(w, "=*") })
	return slices.Sorted(maps.Keys(have))
}
