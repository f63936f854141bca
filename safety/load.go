package safety

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

// A dangerFile is one danger*.toml of a language.
type dangerFile struct {
	Words   map[string]string `toml:"words"`
	Rule    []entryText       `toml:"rule"`
	Silence []entryText       `toml:"silence"`
}

// An entryText is a rule or a silence as it is written.
type entryText struct {
	ID      string      `toml:"id"`
	Sign    care.Sign   `toml:"sign"`
	Why     string      `toml:"why"`
	Scope   string      `toml:"scope"`
	Signs   []care.Sign `toml:"signs"`
	Except  []care.Sign `toml:"except"`
	Rules   []string    `toml:"rules"`
	Ask     bool        `toml:"ask"`
	Say     string      `toml:"say"`
	Example string      `toml:"example"`
	Counter string      `toml:"counter"`
}

// A source is a file that was read, for the place of a fault.
type source struct {
	name  string
	lang  int
	lines []string
	data  dangerFile
}

// at returns the place of the first line that holds part, from the line on
// that holds anchor.
func (s *source) at(anchor, part string) string {
	from := max(0, slices.IndexFunc(s.lines, func(l string) bool { return strings.Contains(l, anchor) }))
	k := max(0, slices.IndexFunc(s.lines[from:], func(l string) bool { return strings.Contains(l, part) }))
	return fmt.Sprintf("%s:%d", s.name, from+k+1)
}

// entry returns the place of a part of an entry.
func (s *source) entry(e *entryText, part string) string { return s.at(`id = "`+e.ID+`"`, part) }

// A loader gathers the files, the Screen made of them, and their faults.
type loader struct {
	langs   []string
	sources []*source
	faults  []error
	screen  *Screen
	compile *compiler
}

func (l *loader) fault(place, format string, args ...any) {
	l.faults = append(l.faults, fmt.Errorf("%s: %s", place, fmt.Sprintf(format, args...)))
}

// readFiles reads */danger*.toml.
func (l *loader) readFiles(fsys fs.FS) {
	names, err := fs.Glob(fsys, "*/danger*.toml")
	if err != nil || len(names) == 0 {
		l.fault(".", "no danger*.toml in any language folder; the screen needs at least one (%v)", err)
	}
	for _, name := range names {
		lang := path.Dir(name)
		if !slices.Contains(l.langs, lang) {
			l.langs = append(l.langs, lang)
		}
		text, err := fs.ReadFile(fsys, name)
		if err != nil {
			l.fault(name, "cannot be read: %v", err)
			continue
		}
		l.readFile(&source{name: name, lang: slices.Index(l.langs, lang), lines: strings.Split(string(text), "\n")}, string(text))
	}
}

func (l *loader) readFile(src *source, text string) {
	md, err := toml.Decode(text, &src.data)
	if pe, ok := errors.AsType[toml.ParseError](err); ok {
		l.fault(fmt.Sprintf("%s:%d", src.name, pe.Position.Line), "%s", pe.Message)
		return
	} else if err != nil {
		l.fault(src.name, "%v", err)
		return
	}
	for _, key := range md.Undecoded() {
		l.fault(src.at(key[len(key)-1], key[len(key)-1]), "unknown field %q; see the fields of the entries around it", key)
	}
	l.sources = append(l.sources, src)
}

// bytesPerWord is about how much of a file makes one new word.
const bytesPerWord = 40

// build compiles what was read.
func (l *loader) build() {
	bytes := 0
	for _, src := range l.sources {
		for _, line := range src.lines {
			bytes += len(line)
		}
	}
	l.screen = newScreen(newLexicon(l.langs, bytes/bytesPerWord))
	l.compile = &compiler{lex: l.screen.lex, words: l.words()}
	for _, src := range l.sources {
		l.compile.lang = src.lang
		for _, name := range slices.Sorted(maps.Keys(src.data.Words)) {
			if strings.HasPrefix(name, "forms_") || name == "tails" || name == "tailed" {
				continue // endings, no words
			}
			if err := l.compile.define(name, src.data.Words[name]); err != nil {
				l.fault(src.at(name+" =", name+" ="), "%v", err)
			}
		}
		for i := range src.data.Rule {
			l.rule(src, &src.data.Rule[i])
		}
		for i := range src.data.Silence {
			l.silence(src, &src.data.Silence[i])
		}
	}
	for _, words := range l.compile.words {
		l.screen.lex.hang(words["tailed"], words["tails"])
	}
	l.screen.index()
}

// words gathers the concepts of each language.
func (l *loader) words() []map[string]string {
	words := make([]map[string]string, len(l.langs))
	for _, src := range l.sources {
		if words[src.lang] == nil {
			words[src.lang] = map[string]string{}
		}
		for name, text := range src.data.Words {
			if _, twice := words[src.lang][name]; twice {
				l.fault(src.at(name+" =", name+" ="), "concept %q is in another file of this language too; merge the two", name)
			}
			words[src.lang][name] = text
		}
	}
	return words
}

// rule compiles one rule.
func (l *loader) rule(src *source, e *entryText) {
	rank := slices.Index(care.Signs(), e.Sign)
	if e.ID == "" || rank < 0 || e.Example == "" || e.Counter == "" {
		l.fault(src.entry(e, ""), "rule %q with sign %q: every rule has an id, a sign of the care package, an example that must be seen and a counter-example that must not", e.ID, e.Sign)
	}
	r := &rule{l.langs[src.lang] + "/" + e.ID, e.Sign, rank}
	if slices.ContainsFunc(l.screen.patterns, func(p *pattern) bool { return p.rule.id == r.id }) {
		l.fault(src.entry(e, ""), "rule %q is there twice; give one another id", e.ID)
	}
	for line := range lines(e.Say) {
		all, err := l.compile.compile(line)
		if err != nil {
			l.fault(src.entry(e, line), "rule %q: %v", e.ID, err)
			continue
		}
		l.screen.addRule(r, all)
	}
}

// silence compiles one silence.
func (l *loader) silence(src *source, e *entryText) {
	sc, ok := scopes[e.Scope]
	if e.ID == "" || e.Why == "" || !ok || e.Example == "" || e.Counter == "" {
		l.fault(src.entry(e, ""), "silence %q with scope %q: every silence has an id, a why, a scope, an example that it quiets and a counter-example that is still seen", e.ID, e.Scope)
	}
	for _, sign := range slices.Concat(e.Signs, e.Except) {
		if !slices.Contains(care.Signs(), sign) {
			l.fault(src.entry(e, string(sign)), "silence %q: %q is no sign", e.ID, sign)
		}
	}
	q := &silence{
		id: l.langs[src.lang] + "/" + e.ID, why: e.Why, scope: sc, signs: e.Signs, except: e.Except, ask: e.Ask, number: int32(len(l.screen.silences)),
	}
	for _, id := range e.Rules {
		if !l.known(src.lang, id) {
			l.fault(src.entry(e, `"`+id+`"`), "silence %q: no rule %q in this language; correct the id", e.ID, id)
		}
		q.rules = append(q.rules, l.langs[src.lang]+"/"+id)
	}
	l.screen.silences = append(l.screen.silences, q)
	for line := range lines(e.Say) {
		all, err := l.compile.compile(line)
		if err != nil || len(all) > 1 {
			l.fault(src.entry(e, line), "silence %q: %q has a fault, or an &&, which only rules may have (%v)", e.ID, line, err)
			continue
		}
		all[0].silence = q
		l.screen.quiet = append(l.screen.quiet, all[0])
	}
}

// learn takes the learned reader in; the rules have proven themselves without it.
func (l *loader) learn(fsys fs.FS) {
	learned, err := loadLearned(fsys)
	if err != nil {
		l.faults = append(l.faults, err)
	}
	l.screen.learned = learned
}

// known reports whether a file of the language has a rule with this id.
func (l *loader) known(lang int, id string) bool {
	return slices.ContainsFunc(l.sources, func(s *source) bool {
		return s.lang == lang && slices.ContainsFunc(s.data.Rule, func(e entryText) bool { return e.ID == id })
	})
}

// lines yields the lines of a field that say something; # begins a remark.
func lines(text string) func(func(string) bool) {
	return func(yield func(string) bool) {
		for line := range strings.Lines(text) {
			if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "# ") && !yield(line) {
				return
			}
		}
	}
}

// check reads the example and the counter-example of every entry.
func (l *loader) check() {
	for _, src := range l.sources {
		for i := range src.data.Rule {
			e := &src.data.Rule[i]
			l.each(src, e, e.Example, "rule %q does not see its example %q", func(x Explanation, id string) bool {
				return slices.ContainsFunc(x.Hits, func(h Hit) bool { return h.Rule == id && h.alive() })
			})
			l.each(src, e, e.Counter, "rule %q: its sign is seen in the counter-example %q", func(x Explanation, _ string) bool {
				return !slices.ContainsFunc(x.Hits, func(h Hit) bool { return h.Sign == e.Sign && h.alive() })
			})
		}
		for i := range src.data.Silence {
			e := &src.data.Silence[i]
			l.each(src, e, e.Example, "silence %q does not quiet its example %q", func(x Explanation, id string) bool {
				k := slices.IndexFunc(x.Hits, func(h Hit) bool { return h.Silence == id })
				return k >= 0 && !slices.ContainsFunc(x.Hits, func(h Hit) bool { return h.Sign == x.Hits[k].Sign && h.alive() })
			})
			l.each(src, e, e.Counter, "silence %q: nothing is seen in the counter-example %q", func(x Explanation, _ string) bool {
				return x.Finding.Class() != care.NoClass
			})
		}
	}
}

// each reads every line of text and takes those that are not as they should
// be as faults.
func (l *loader) each(src *source, e *entryText, text, fault string, good func(x Explanation, id string) bool) {
	lang := l.langs[src.lang]
	for line := range lines(text) {
		if x := l.screen.Why(line, care.Locale(lang)); !good(x, lang+"/"+e.ID) {
			l.fault(src.entry(e, line), fault+"; correct one of the two (%s)", e.ID, line, x)
		}
	}
}

// alive reports a hit that counts by itself.
func (h Hit) alive() bool { return h.Silence == "" && !h.Doubtful && !h.Part }
