// Package walk goes through every state that the dialogue can be in. It drives
// the real flow.Step with every class of answer, command, danger sign, due item
// and staff act, breadth first, and checks after each step that nothing unsafe
// was said, that nothing dangerous was forgotten and that nobody is caught.
//
// States are merged by a key (key.go): where the dialogue stands, the
// disposition, and what a later condition of the protocol can still tell apart.
// Two things show that the merging hides nothing: every look at a fact is
// watched and must be one that the protocol declares for that place, and pairs
// of merged episodes are led through every event side by side (twins.go).
package walk

import (
	"strings"
	"sync"
	"time"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
	"turnstone/locales"
)

// A Step is the signature of flow.Step. A test may put a faulty one beside it.
type Step func(care.Episode, care.Event, care.Finding, time.Time) (care.Change, error)

// A World is one protocol with everything that the dialogue needs, ready to be
// walked.
type World struct {
	P     *protocol.Protocol
	Flow  *flow.Flow
	Step  Step
	book  *locales.Book
	known *liveness

	mu         sync.Mutex
	undeclared map[string]bool // looks at facts that the protocol does not declare there
	missing    map[care.SentenceKey]bool
}

// Start is when every walk begins: a Monday morning.
var Start = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

// Zone is where everybody lives: night and day are there, and no clock change
// is; those are tested with the flow package.
const Zone = "UTC"

// New builds a world around p. The sentences are the real ones, since their
// classes decide what may be said; typed words are scripted.
func New(p *protocol.Protocol) (*World, error) {
	book, err := locales.Load(locales.Files)
	if err != nil {
		return nil, err
	}
	numbers, err := locales.LoadNumbers(locales.Files)
	if err != nil {
		return nil, err
	}
	w := &World{P: p, book: book, undeclared: map[string]bool{}, missing: map[care.SentenceKey]bool{}, known: newLiveness(p)}
	w.Flow, err = flow.New(flow.Settings{
		Protocols: []*protocol.Protocol{p}, Current: p.Name, Reader: script{}, Book: keysOnly{book}, Numbers: numbers, Practice: true, Watch: w.watch,
	})
	if err != nil {
		return nil, err
	}
	w.Step = w.Flow.Step
	return w, nil
}

// Begin is a new episode of somebody whose region is not known yet.
func (w *World) Begin() care.Episode {
	return w.Flow.Begin(flow.Start{ID: "e", Locale: "en", Zone: Zone, ZoneSet: true, Now: Start})
}

// watch is told of every look at a fact.
func (w *World) watch(state string, f care.Fact) {
	if w.known.declared(state, f) {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.undeclared[state+" looks at "+string(f)] = true
}

// class is the class of a sentence. A sentence that the book lacks is noted
// and classed by its name, the dangerous way: what looks like care is care.
func (w *World) class(k care.SentenceKey) care.SentenceClass {
	if c, ok := w.book.Class(k); ok {
		return c
	}
	w.mu.Lock()
	w.missing[k] = true
	w.mu.Unlock()
	for _, prefix := range []string{"say.care_", "home.first", "check.better_2", "check.better_3", "cold_timer."} {
		if strings.HasPrefix(string(k), prefix) {
			return care.ClassHomeCare
		}
	}
	return care.ClassInform
}

// keysOnly is the book without its words.
type keysOnly struct{ *locales.Book }

func (keysOnly) Text(_ care.Locale, s care.Sentence) (string, error) { return string(s.Key), nil }
func (keysOnly) Words(care.Locale, care.SentenceKey) []string        { return nil }

// script reads the typed words of the walk: "=a,b" is the answer a and b,
// "!back" the command back, "skip" a skipped question; the rest is unreadable.
type script struct{}

func (script) Read(_ answer.Question, text string) answer.Reading {
	switch v, ok := strings.CutPrefix(text, "="); {
	case ok:
		return answer.Reading{Values: strings.Split(v, ","), OK: true}
	case text == "skip":
		return answer.Reading{Skip: true}
	default:
		return answer.Reading{}
	}
}

func (script) Command(text string, _ care.Locale) (care.Command, bool) {
	c, ok := strings.CutPrefix(text, "!")
	return care.Command(c), ok
}

func (script) Language(string) (care.Locale, bool) { return "", false }
