package talk

import (
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/tests/house"
)

// Never is what no message may hold, whatever was typed and whatever is true: an amount
// of medicine, how often to take it, or a verdict on the bone. These are
// written anew here, in other words than those of the locale files; common
// practice, no source.
var Never = []*regexp.Regexp{
	regexp.MustCompile(`(?i)[0-9]\s*(mg|mcg|µg|grams?|gramos?|ml|milli\w+|mili\w+|tablets?|pills?|caps\w+|pastillas?|comprimidos?|tabletas?|c[aá]psulas?)\b`),
	regexp.MustCompile(`(?i)\b(one|two|three|four|una|dos|tres|cuatro)\s+(tablets?|pills?|capsules?|pastillas?|comprimidos?|tabletas?|c[aá]psulas?)\b`),
	regexp.MustCompile(`(?i)\b(every|cada)\s+([0-9]+|four|six|eight|cuatro|seis|ocho)(\s+(to|a|or|o)\s+[0-9]+)?\s+(hours?|horas?)\b`),
	regexp.MustCompile(`(?i)\b(is|are|was|it'?s|seems|looks|definitely|probably)\s+(not|n't)\s+(broken|fractured)\b|\b(isn't|wasn't)\s+(broken|fractured)\b`),
	regexp.MustCompile(`(?i)\b(no|without a|not a)\s+(fracture|break|broken bone)\b`),
	regexp.MustCompile(`(?i)\bonly a sprain\b|\bjust a sprain\b|\b(es )?solo un esguince\b`),
	regexp.MustCompile(`(?i)\bno\s+(est[aá]|tienes?|hay|es|parece)\s+(nada\s+)?(rot[oa]|quebrad[oa]|fractura\w*|una fractura)\b`),
	regexp.MustCompile(`(?i)<no value>|%!|\{\{|\}\}|\bnil\b`),
}

// known is what the book says that every session is held against; it is read
// once a process.
type known struct {
	parts   *house.Parts
	home    map[string]bool // every line of home care and of reassurance, in every language
	signed  []string        // how a practice screen begins, in every language
	neutral []string        // how one begins that others may see, in every language
	other   []string        // how a question about the other person begins, in every language
}

var book = sync.OnceValues(func() (*known, error) {
	p, err := house.Load()
	if err != nil {
		return nil, err
	}
	k := &known{parts: p, home: homeLines(p)}
	for keys, to := range map[string]*[]string{"practice": &k.signed, "whose.other": &k.other, "neutral neutral.again cmd.hidden": &k.neutral} {
		for key := range strings.FieldsSeq(keys) {
			for _, l := range p.Book.Locales() {
				text, err := p.Book.Text(l, care.Sentence{Key: care.SentenceKey(key)})
				if err != nil {
					return nil, err
				}
				*to = append(*to, text)
			}
		}
	}
	return k, nil
})

// checks watch a whole session for what must hold in every conversation.
type checks struct {
	*known
	ids     map[string]string // messages of this run, by ID
	before  map[string]string // messages of runs before it
	done    map[string]bool   // messages that were followed by ready: they never come again
	at      time.Time
	now     map[string]care.Disposition // the disposition in force, by episode
	decided []Line                      // dispositions whose episode the next line with an ID tells
	two     bool                        // the account tells of two people
	lowered bool                        // staff gave a disposition: it may come down
}

func newChecks(t testing.TB) checks {
	t.Helper()
	k, err := book()
	if err != nil {
		t.Fatal(err)
	}
	return checks{known: k, ids: map[string]string{}, before: map[string]string{}, done: map[string]bool{}, now: map[string]care.Disposition{}}
}

// again is what a later run of the same person starts from.
func (c checks) again() checks {
	before := map[string]string{}
	maps.Copy(before, c.before)
	maps.Copy(before, c.ids)
	c.before, c.ids, c.at, c.decided = before, map[string]string{}, time.Time{}, nil
	return c
}

// acknowledged notes that all that was said so far was followed by ready.
func (c *checks) acknowledged() {
	for id := range c.ids {
		c.done[id] = true
	}
}

// homeLines are the lines that only care or reassure: each line of each such
// sentence, less those that other sentences say too.
func homeLines(p *house.Parts) map[string]bool {
	lines, shared := map[string]bool{}, map[string]bool{}
	for _, key := range p.Book.Keys() {
		if len(p.Book.Args(key)) > 0 {
			continue
		}
		class, _ := p.Book.Class(key)
		for _, locale := range p.Book.Locales() {
			text, err := p.Book.Text(locale, care.Sentence{Key: key})
			if err != nil {
				continue // a sentence that this language lacks can't be said in it
			}
			for l := range strings.SplitSeq(text, "\n") {
				if class == care.ClassHomeCare || class == care.ClassReassure {
					lines[l] = true
				} else {
					shared[l] = true
				}
			}
		}
	}
	maps.DeleteFunc(lines, func(l string, _ bool) bool { return shared[l] })
	return lines
}

func (c *checks) line(s *Session, l Line) {
	s.t.Helper()
	if l.Type != "error" {
		if l.At.Before(c.at) {
			s.t.Errorf("time went back from %s: %s", c.at, l.Raw)
		}
		c.at = l.At
		if l.At.Location() != time.UTC {
			s.t.Errorf("a moment is not written in UTC: %s", l.Raw)
		}
	}
	if l.ID != "" {
		c.settle(s, episodeOf(l.ID))
	}
	switch l.Type {
	case "message":
		c.message(s, l)
	case "disposition":
		c.disposition(s, l)
		c.decided = append(c.decided, l)
	case "escalation":
		c.escalation(s, l)
	case "planned":
		if l.Due.Before(l.At) {
			s.t.Errorf("planned for the past: %s", l.Raw)
		}
	}
}

func (c *checks) message(s *Session, l Line) {
	s.t.Helper()
	if l.ID == "" {
		s.t.Errorf("a message has no ID: %s", l.Raw)
	}
	had, twice := c.ids[l.ID]
	if twice && !s.set.Repeats {
		s.t.Errorf("two messages have the ID %q:\n%s\n%s", l.ID, had, l.Raw)
	}
	if was, before := c.before[l.ID]; before {
		had, twice = was, true
	}
	if c.done[l.ID] && !s.set.Repeats {
		s.t.Errorf("message %q comes again, although ready stood behind it: %s", l.ID, l.Raw)
	}
	if twice && !sameWords(had, l) {
		s.t.Errorf("a repeat of message %q has other words:\n%s\n%s", l.ID, had, l.Raw)
	}
	c.ids[l.ID] = l.Raw
	c.two = c.two || slices.ContainsFunc(c.other, func(o string) bool { return strings.Contains(l.Text, o) })
	for _, re := range Never {
		if hit := re.FindString(l.Text); hit != "" {
			s.t.Errorf("a message says %q, which none may: %s", hit, l.Raw)
		}
	}
	if what, found := c.parts.Forbidden.Find(l.Text); found {
		s.t.Errorf("a message says %q, which nobody may write: %s", what, l.Raw)
	}
	if _, signed := c.bare(l.Text); !signed && !fixed(l.ID) {
		s.t.Errorf("a message does not begin with the line that nobody has signed: %s", l.Raw)
	}
	now := c.now[episodeOf(l.ID)]
	if now == care.Home {
		return
	}
	for line := range strings.SplitSeq(l.Text, "\n") {
		if c.home[line] {
			s.t.Errorf("home care at %q: %q in %s", now, line, l.Raw)
		}
	}
}

// fixed tells the card that goes out when nothing else works: nothing may
// stand above it.
func fixed(id string) bool { return strings.HasPrefix(id, "card-") || strings.HasSuffix(id, "-card") }

// sameWords: what comes again under its ID says what it said, at another time
// perhaps.
func sameWords(was string, l Line) bool {
	had, err := parse(was)
	if err != nil {
		return false
	}
	had.At, had.Raw, l.At, l.Raw = time.Time{}, "", time.Time{}, ""
	return reflect.DeepEqual(had, l)
}

// bare is a message without its first line, that nobody has signed. One that
// must tell nothing to whoever looks over a shoulder stands without it.
func (c *checks) bare(text string) (rest string, signed bool) {
	if slices.ContainsFunc(c.neutral, func(n string) bool { return strings.HasPrefix(text, n) }) {
		return text, true
	}
	for _, p := range c.signed {
		if rest, ok := strings.CutPrefix(text, p); ok {
			return strings.TrimPrefix(rest, "\n"), true
		}
	}
	return text, false
}

func (c *checks) disposition(s *Session, l Line) {
	s.t.Helper()
	d, err := care.ParseDisposition(l.Disposition)
	if err != nil {
		s.t.Errorf("%v: %s", err, l.Raw)
	}
	if (d > care.Home) != (len(l.Because) > 0) && !c.lowered { // what staff lowered rests on no answer
		s.t.Errorf("%s because of %v: %s", d, l.Because, l.Raw)
	}
	if len(l.Rule) != 2 {
		s.t.Errorf("the rule has not an ankle and a foot: %s", l.Raw)
	}
	for _, part := range []string{"ankle", "foot"} {
		if !slices.Contains([]string{"positive", "negative", "not_applicable"}, l.Rule[part]) {
			s.t.Errorf("the %s rule is %q: %s", part, l.Rule[part], l.Raw)
		}
	}
}

// episodeOf is the episode that an ID begins with.
func episodeOf(id string) string {
	episode, _, _ := strings.Cut(id, "-")
	return episode
}

// settle holds the dispositions that were printed against what the episode had.
func (c *checks) settle(s *Session, episode string) {
	s.t.Helper()
	for _, l := range c.decided {
		d, err := care.ParseDisposition(l.Disposition)
		if err == nil && d < c.now[episode] && !c.lowered {
			s.t.Errorf("the disposition fell from %s without staff: %s", c.now[episode], l.Raw)
		}
		c.now[episode] = d
	}
	c.decided = nil
}

var abouts = []string{"disposition", "human", "not_seen", "no_reply", "call_back", "lower_asked", "taken_back", "unsafe"}

func (c *checks) escalation(s *Session, l Line) {
	s.t.Helper()
	if !slices.Contains(abouts, l.What) {
		s.t.Errorf("an escalation is about %q: %s", l.What, l.Raw)
	}
	if _, err := care.ParseDisposition(l.Disposition); err != nil {
		s.t.Errorf("an escalation says the disposition %q: %s", l.Disposition, l.Raw)
	}
	if l.ID == "" {
		s.t.Errorf("an escalation has no ID: %s", l.Raw)
	}
}
