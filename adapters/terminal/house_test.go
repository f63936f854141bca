package terminal

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/intake"
	"turnstone/locales"
	"turnstone/outbox"
	"turnstone/safety"
	"turnstone/store"
)

var loadBook = sync.OnceValues(func() (*locales.Book, error) { return locales.Load(locales.Files) })

// book is the real one.
func book(t testing.TB) *locales.Book {
	t.Helper()
	b, err := loadBook()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// verbatim is a book whose keys are the sentences themselves. What begins
// with "Call" is a card.
type verbatim struct{}

func (verbatim) Text(_ care.Locale, s care.Sentence) (string, error) { return string(s.Key), nil }

func (verbatim) Class(key care.SentenceKey) (care.SentenceClass, bool) {
	if strings.HasPrefix(string(key), "Call") {
		return care.ClassDanger, true
	}
	return care.ClassAsk, true
}

// shelf keeps records in memory. While it is down each call fails.
type shelf struct {
	mu     sync.Mutex
	down   bool
	people map[string]store.Write
	leased map[string]time.Time
	wake   chan struct{}
}

func newShelf() *shelf {
	return &shelf{people: map[string]store.Write{}, leased: map[string]time.Time{}, wake: make(chan struct{}, 1)}
}

func (s *shelf) set(down bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.down = down
}

func (s *shelf) check(ctx context.Context) error {
	if s.down {
		return store.ErrDown
	}
	return ctx.Err()
}

func (s *shelf) Load(ctx context.Context, person string) (store.Record, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w := s.people[person]
	if w.Bytes == nil {
		return store.Record{}, s.check(ctx)
	}
	return store.Record{Etag: w.Next, Bytes: w.Bytes}, s.check(ctx)
}

func (s *shelf) Commit(ctx context.Context, w store.Write) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.check(ctx); err != nil {
		return err
	}
	if s.people[w.Person].Next != w.Read {
		return store.ErrStale
	}
	s.people[w.Person] = w
	select {
	case s.wake <- struct{}{}:
	default:
	}
	return nil
}

func (s *shelf) Claim(ctx context.Context, now time.Time, lane store.Lane, _ int, lease time.Duration) ([]string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []string
	for p, w := range s.people {
		key := fmt.Sprint(p, lane)
		if due := w.Due[lane]; !due.IsZero() && !due.After(now) && !s.leased[key].After(now) {
			s.leased[key] = now.Add(lease)
			out = append(out, p)
		}
	}
	slices.Sort(out)
	return out, s.check(ctx)
}

func (s *shelf) NextDue(ctx context.Context, lane store.Lane) (time.Time, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var next time.Time
	for p, w := range s.people {
		at := w.Due[lane]
		if until := s.leased[fmt.Sprint(p, lane)]; !at.IsZero() && until.After(at) {
			at = until
		}
		if !at.IsZero() && (next.IsZero() || at.Before(next)) {
			next = at
		}
	}
	return next, !next.IsZero(), s.check(ctx)
}

func (s *shelf) Get(ctx context.Context, _ string) ([]byte, uint64, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return nil, 0, false, s.check(ctx)
}

func (s *shelf) Log(context.Context, string) ([][]byte, error) { return nil, nil }
func (s *shelf) Put(context.Context, string, []byte, uint64, time.Time) error {
	return nil
}
func (s *shelf) Delete(context.Context, string, uint64) error { return nil }
func (s *shelf) Wake() <-chan struct{}                        { return s.wake }

// script answers each event with the next of its messages, and keeps what
// came in. A text that begins with "later" plans its message an hour ahead.
type script struct {
	messages []care.Message
	heard    []string
	oneOnly  bool // refuses several choices
	err      error
}

func (f *script) Begin(s flow.Start) care.Episode {
	return care.Episode{ID: s.ID, Locale: s.Locale, Zone: "UTC", Opened: s.Now}
}

func (f *script) Step(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error) {
	if ev.Kind == care.Chose && (f.oneOnly && len(ev.Choices) > 1 || ep.Ask == nil) {
		return care.Change{}, map[bool]error{true: care.ErrNoAsk, false: care.ErrBadChoice}[ep.Ask == nil]
	}
	if ev.Kind == care.FellDue {
		ep.Agenda = slices.DeleteFunc(slices.Clone(ep.Agenda), func(it care.Item) bool { return it.ID == ev.Item.ID })
	}
	if strings.HasPrefix(ev.Text, "later") {
		ep.Agenda = append(slices.Clone(ep.Agenda), care.Item{ID: "planned", What: "later", Due: now.Add(time.Hour)})
		return care.Change{Episode: ep}, nil
	}
	f.heard = append(f.heard, strings.Join(append([]string{fmt.Sprint(ev.Kind), ev.Text, ev.Token}, ev.Choices...), "|"))
	if f.err != nil {
		return care.Change{}, f.err
	}
	m := care.Message{Lines: []care.Sentence{{Key: "Thank you."}}}
	if n := len(f.heard) - 1; n < len(f.messages) {
		m = f.messages[n]
	}
	if found.Class() == care.AmbulanceNow {
		m = card()
	}
	ep.Seq++
	ep.Ask = m.Ask
	ep.Agenda = append(slices.Clone(ep.Agenda), care.Item{ID: care.ItemID(fmt.Sprint("item-", ep.Seq)), What: care.DoSay, Due: now, Urgent: true, Say: &m})
	return care.Change{Episode: ep}, nil
}

func card() care.Message {
	m := asking(care.YesNo, "Is somebody with you who can take you now?", "Yes", "No")
	m.Lines = append([]care.Sentence{{Key: "Call 112 now.\nAsk for an ambulance. Say where you are."}}, m.Lines...)
	return m
}

func asking(kind care.Kind, text string, labels ...string) care.Message {
	ask := &care.Ask{Kind: kind, Token: "token of " + text, Facts: []care.Fact{"a_fact"}}
	for _, l := range labels {
		ask.Choices = append(ask.Choices, care.Choice{Value: strings.ToLower(l), Label: care.SentenceKey(l)})
	}
	return care.Message{Lines: []care.Sentence{{Key: care.SentenceKey(text)}}, Ask: ask}
}

// alert sees danger in the words "chest pain".
type alert struct{}

func (alert) Read(text string, _ care.Locale) care.Finding {
	if strings.Contains(text, "chest pain") {
		return care.Finding{Sign: care.ChestPain}
	}
	return care.Finding{}
}

// build puts a house around a screen; its person is "ana".
func build(t testing.TB, s *Screen, f intake.Flow, shelf *shelf) House {
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	door := safety.Door{Class: verbatim{}.Class}
	box := &outbox.Outbox{Store: shelf, Sender: s, Book: verbatim{}, Door: door, Now: time.Now, Log: log}
	in := &intake.Intake{Store: shelf, Flow: f, Screen: alert{}, Door: door, Out: box, Cards: s, Now: time.Now, Log: log}
	box.Waker = in
	s.Fixed = func(locale care.Locale, region string) string {
		return "Call 112 now. (" + string(locale) + region + ")"
	}
	return House{Caller: intake.Caller{Person: "ana", Address: "local:ana", Locale: "en", Zone: "UTC"}, Intake: in, Outbox: box, Book: book(t)}
}
