package locales

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"

	"turnstone/care"
)

// The file and folder that are no language.
const (
	registryFile  = "registry.toml"
	numbersFolder = "numbers"
)

// notSentences reports whether a file of a language folder belongs to another
// reader: the screen's word lists, the answer reader's and the command words.
func notSentences(name string) bool {
	return name == "answers.toml" || name == "commands.toml" || name == "forbidden.toml" || strings.HasPrefix(name, "danger")
}

// Load reads the registry and every sentence of every language in fsys. It
// answers with every fault at once, one a line, each with its file and line and
// what to do about it, and gives no book then.
func Load(fsys fs.FS) (*Book, error) {
	languages, err := loadRegistry(fsys)
	if err != nil {
		return nil, err
	}
	b := &Book{
		languages: languages,
		plain:     map[care.SentenceKey]*sentence{},
		forms:     map[care.Locale]*plurals{},
		texts:     map[care.Locale]map[care.SentenceKey]*wording{},
	}
	faults := []error{strangers(fsys, languages)}
	raw := map[care.Locale]map[care.SentenceKey]*entry{}
	for i, l := range languages {
		p, err := newPlurals(l.Tag)
		if err != nil {
			faults = append(faults, fmt.Errorf("%s: %w", registryFile, err))
			continue
		}
		b.forms[l.Tag] = p
		entries, err := readLanguage(fsys, l.Tag)
		faults = append(faults, err)
		raw[l.Tag] = entries
		if i == 0 {
			faults = append(faults, b.learnBase(entries))
		}
		faults = append(faults, b.learn(l.Tag, entries))
	}
	faults = append(faults, compareKeys(languages, raw), b.compareDigits(raw))
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return b, nil
}

// registry is registry.toml as written.
type registry struct {
	Language []struct {
		Tag       care.Locale `toml:"tag"`
		Name      string      `toml:"name"`
		Direction string      `toml:"direction"`
		State     string      `toml:"state"`
		Reading   string      `toml:"reading"`
	} `toml:"language"`
}

func loadRegistry(fsys fs.FS) ([]Language, error) {
	var r registry
	src, err := decodeFile(fsys, registryFile, &r)
	if err != nil {
		return nil, err
	}
	var out []Language
	for i, l := range r.Language {
		at := func(format string, args ...any) {
			src.fault(fmt.Sprintf("tag = %q", l.Tag), format, args...)
		}
		switch {
		case l.Tag == "" || l.Name == "":
			at("a language needs a tag and its own name: fill both")
		case slices.ContainsFunc(out, func(o Language) bool { return o.Tag == l.Tag }):
			at("language %q stands here twice: keep one", l.Tag)
		}
		if l.Direction != "ltr" && l.Direction != "rtl" {
			at(`%s: direction is %q: write "ltr" or "rtl"`, l.Tag, l.Direction)
		}
		if i == 0 != (l.State == "source") || !slices.Contains([]string{"source", "draft", "reviewed"}, l.State) {
			at(`%s: state is %q: the first language is "source", each other one "draft" or "reviewed"`, l.Tag, l.State)
		}
		if !slices.Contains([]string{"", "flesch_kincaid", "fernandez_huerta"}, l.Reading) {
			at(`%s: no reading measure %q: write "flesch_kincaid", "fernandez_huerta" or ""`, l.Tag, l.Reading)
		}
		out = append(out, Language(l))
	}
	if len(out) == 0 {
		src.fault("", "there is no language: add a [[language]] block")
	}
	return out, src.err()
}

// strangers finds language folders that the registry does not know.
func strangers(fsys fs.FS, languages []Language) error {
	paths, err := fs.Glob(fsys, "*/*.toml")
	if err != nil {
		return fmt.Errorf("list the language folders: %w", err)
	}
	var faults []error
	for _, p := range paths {
		dir := path.Dir(p)
		known := slices.ContainsFunc(languages, func(l Language) bool { return string(l.Tag) == dir })
		if dir != numbersFolder && !known {
			faults = append(faults, fmt.Errorf("%s:1: no language %q in %s: add it there, or remove the file", p, dir, registryFile))
		}
	}
	return errors.Join(faults...)
}

// readLanguage reads the sentence files of one language.
func readLanguage(fsys fs.FS, tag care.Locale) (map[care.SentenceKey]*entry, error) {
	paths, err := fs.Glob(fsys, string(tag)+"/*.toml")
	if err != nil {
		return nil, fmt.Errorf("list the files of %s: %w", tag, err)
	}
	out := map[care.SentenceKey]*entry{}
	var faults []error
	for _, p := range paths {
		if notSentences(path.Base(p)) {
			continue
		}
		entries := map[care.SentenceKey]*entry{}
		src, err := decodeFile(fsys, p, &entries)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		for _, key := range slices.Sorted(maps.Keys(entries)) {
			e := entries[key]
			e.src, e.key = src, key
			if was, twice := out[key]; twice {
				e.fault("", "sentence %q stands in %s too: keep one", key, was.src.path)
				continue
			}
			out[key] = e
		}
		faults = append(faults, src.err())
	}
	return out, errors.Join(faults...)
}

// compareKeys finds sentences that a language lacks, or has beyond the base.
func compareKeys(languages []Language, raw map[care.Locale]map[care.SentenceKey]*entry) error {
	base := languages[0].Tag
	var faults []error
	for _, l := range languages[1:] {
		for _, key := range slices.Sorted(maps.Keys(raw[base])) {
			if raw[l.Tag][key] == nil {
				e := raw[base][key]
				faults = append(faults, fmt.Errorf("%s:%d: sentence %q is missing in %s: add it to a file of %s/", e.src.path, e.line(""), key, l.Tag, l.Tag))
			}
		}
		for _, key := range slices.Sorted(maps.Keys(raw[l.Tag])) {
			if raw[base][key] == nil {
				e := raw[l.Tag][key]
				faults = append(faults, fmt.Errorf("%s:%d: sentence %q is not in %s: remove it here, or add it there first", e.src.path, e.line(""), key, base))
			}
		}
	}
	return errors.Join(faults...)
}

// A source is one file with its faults.
type source struct {
	path   string
	lines  []string
	faults []error
}

// decodeFile reads a TOML file into v. A key that nothing reads is a fault.
func decodeFile(fsys fs.FS, name string, v any) (*source, error) {
	raw, err := fs.ReadFile(fsys, name)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	s := &source{path: name, lines: strings.Split(string(raw), "\n")}
	meta, err := toml.Decode(string(raw), v)
	if perr, ok := errors.AsType[toml.ParseError](err); ok {
		return nil, fmt.Errorf("%s:%d: %s: correct the TOML there", name, perr.Position.Line, perr.Message)
	}
	if err != nil {
		return nil, fmt.Errorf("%s:1: %w: correct the type of that value", name, err)
	}
	for _, k := range meta.Undecoded() {
		head := ""
		if len(k) > 1 {
			head = `["` + k[0] + `"]`
		}
		from := s.lineOf(0, head)
		s.faults = append(s.faults, fmt.Errorf("%s:%d: nothing reads %q: correct the name, or remove it", name, s.lineOf(from-1, k[len(k)-1]), k))
	}
	return s, nil
}

// lineOf returns the number of the first line from index from on that holds
// mark, and the line after from where there is none.
func (s *source) lineOf(from int, mark string) int {
	from = max(from, 0)
	for i := from; mark != "" && i < len(s.lines); i++ {
		if strings.Contains(s.lines[i], mark) {
			return i + 1
		}
	}
	return from + 1
}

// fault notes a fault at the first line that holds mark.
func (s *source) fault(mark, format string, args ...any) {
	s.faults = append(s.faults, fmt.Errorf("%s:%d: %s", s.path, s.lineOf(0, mark), fmt.Sprintf(format, args...)))
}

// err returns the faults so far, joined.
func (s *source) err() error { return errors.Join(s.faults...) }

// joined gathers the faults of several sources.
func joined(sources ...*source) error {
	var faults []error
	for _, s := range sources {
		faults = append(faults, s.err())
	}
	return errors.Join(faults...)
}
