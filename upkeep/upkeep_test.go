package upkeep_test

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store/bolt"
	"turnstone/tests/house"
	"turnstone/upkeep"
)

var monday = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

// A service is the whole house on an embedded store, with its keeper.
type service struct {
	*upkeep.Keeper
	house *house.House
	t     *testing.T
	store *bolt.Store
	box   *house.Mailbox
	clock *house.Clock
	n     int
}

func serve(t *testing.T) *service {
	t.Helper()
	p, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	s := &service{t: t, clock: house.NewClock(monday), box: &house.Mailbox{Card: p.FixedCard}}
	if s.store, err = bolt.Open(t.TempDir(), bolt.Options{Clock: s.clock.Now, Ballast: -1}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.store.Close(); err != nil {
			t.Error(err)
		}
	})
	log := slog.New(slog.DiscardHandler)
	s.house = house.Build(p, s.store, s.box, s.clock.Now, log)
	s.Keeper = &upkeep.Keeper{Store: s.store, Intake: s.house.Intake, Now: s.clock.Now, Log: log}
	return s
}

// tells lets a person press or say things, one after the other.
func (s *service) tells(person care.PersonID, events ...care.Event) {
	s.t.Helper()
	for _, ev := range events {
		s.n++
		ev.ID = care.EventID(fmt.Sprint("e", s.n))
		if err := s.house.Intake.Handle(s.t.Context(), house.Caller(person, "en", "PT"), ev); err != nil {
			s.t.Fatalf("%s: %+v: %v", person, ev, err)
		}
	}
}

func (s *service) episode(person string) care.Episode {
	s.t.Helper()
	was, err := s.store.Load(s.t.Context(), person)
	if err != nil || was.Bytes == nil {
		s.t.Fatalf("%s is not there (%v)", person, err)
	}
	r, err := record.Decode(was.Bytes)
	if err != nil {
		s.t.Fatal(err)
	}
	return r.Episode
}

// since returns what a person was sent after the first n messages of all.
func (s *service) since(n int, person care.PersonID) string {
	var b strings.Builder
	for _, m := range s.box.Sent()[n:] {
		if m.Person == person {
			b.WriteString(m.Text + "\n")
		}
	}
	return b.String()
}

var none = care.Event{Kind: care.Chose, Choices: []string{"none"}}

func said(text string) care.Event { return care.Event{Kind: care.Said, Text: text} }

func pressed(value string) care.Event { return care.Event{Kind: care.Chose, Choices: []string{value}} }

// beat notes the time once, as Run does at its start.
func (s *service) beat() {
	ctx, stop := context.WithCancel(s.t.Context())
	done := make(chan struct{})
	go func() { s.Run(ctx); close(done) }()
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		if _, _, ok, err := s.store.Get(ctx, "upkeep/alive"); err != nil {
			s.t.Fatal(err)
		} else if ok || time.Now().After(deadline) {
			break
		}
	}
	stop()
	<-done
}

// After an outage whoever was in the middle of a talk is told once, the
// emergency number first, and asked again; whoever was not hears nothing.
func TestHAZ32_BackAfterAnOutage(t *testing.T) {
	s := serve(t)
	s.tells("early", care.Event{Kind: care.Opened}, none)
	s.clock.Pass(3 * time.Hour)
	s.tells("late", care.Event{Kind: care.Opened}, none)
	s.tells("hurt", care.Event{Kind: care.Opened}, said("I can't feel my toes and they are blue"))
	s.tells("stopped", care.Event{Kind: care.Opened}, said("stop"))
	s.beat()
	if o, err := s.Back(t.Context()); err != nil || o != (upkeep.Outage{}) {
		t.Fatalf("no outage, and Back says %+v, %v", o, err)
	}
	s.clock.Pass(50 * time.Minute)
	n := len(s.box.Sent())
	o, err := s.Back(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if o.MidTalk != 2 || o.To.Sub(o.From) != 50*time.Minute {
		t.Errorf("Back says %+v, want two people and 50 minutes", o)
	}
	if got := s.since(n, "late"); strings.Count(got, "I am back") != 1 || !strings.Contains(firstRealLine(got), "112") || !strings.Contains(got, "A few more signs of danger") {
		t.Errorf("whoever was in the middle reads %q", got)
	}
	if got := s.since(n, "hurt"); !strings.Contains(firstRealLine(got), "112") || strings.Count(got, "I am back") != 1 {
		t.Errorf("whoever has an emergency open reads %q", got)
	}
	for _, quiet := range []care.PersonID{"early", "stopped"} {
		if got := s.since(n, quiet); got != "" {
			t.Errorf("%s reads %q, want nothing", quiet, got)
		}
	}
	if o, err := s.Back(t.Context()); err != nil || o != (upkeep.Outage{}) {
		t.Errorf("asked a second time Back says %+v, %v", o, err)
	}
}

// firstRealLine is the first line behind the one that says "Practice".
func firstRealLine(text string) string {
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "Practice.") {
			return line
		}
	}
	return ""
}

// Retiring takes back what is planned and tells those who waited, neutrally
// in the first line; an emergency's card comes once more.
func TestHAZ32_RetireTellsWhoWaits(t *testing.T) {
	s := serve(t)
	s.tells("asked", care.Event{Kind: care.Opened}, none)
	s.tells("hurt", care.Event{Kind: care.Opened}, said("I can't feel my toes and they are blue"), pressed("yes"))
	n := len(s.box.Sent())
	open, err := s.Retire(t.Context())
	if err != nil || open != 2 {
		t.Fatalf("Retire says %d, %v, want 2 open talks", open, err)
	}
	for person, want := range map[care.PersonID]string{"asked": "I cannot ask you how it goes any more", "hurt": "112"} {
		got := s.since(n, person)
		if firstRealLine(got) != "Turnstone ends today. It will not write again.\n" || !strings.Contains(got, want) {
			t.Errorf("%s reads %q", person, got)
		}
		if ep := s.episode(string(person)); slices.ContainsFunc(ep.Agenda, func(it care.Item) bool { return it.What != care.DoErase }) {
			t.Errorf("%s: still planned is %+v", person, ep.Agenda)
		}
	}
	if cards, err := s.store.List(t.Context(), record.CardPrefix); err != nil || len(cards) != 1 {
		t.Errorf("%d items are on the staff list (%v), want the emergency's", len(cards), err)
	}
	n = len(s.box.Sent())
	if _, err := s.Retire(t.Context()); err != nil || len(s.box.Sent()) != n {
		t.Errorf("a second time writes %d messages (%v)", len(s.box.Sent())-n, err)
	}
}
