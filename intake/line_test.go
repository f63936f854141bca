package intake_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
	"turnstone/record"
	"turnstone/store"
)

// TestAnyLifeOfTheWholeLine leads people through random lives: words, presses
// in time and late, events delivered again, staff, time that passes and a clock
// that is set back, a store that fails or loses its answers between any two
// steps, and a channel that is down now and then. What must hold then holds:
//
//   - no home care reaches anybody who is told more than home;
//   - the disposition is never lowered but by staff;
//   - an event that was handled is recognised when it comes again;
//   - a message has one ID and one wording, however often it is sent;
//
// and when everything is well again:
//
//   - everything due is delivered, and every escalation is on the staff list.
//
// The method is that of J. Hughes, "QuickCheck Testing for Fun and Profit", 2007.
func TestAnyLifeOfTheWholeLine(t *testing.T) {
	home := homeLines(t)
	rapid.Check(t, func(r *rapid.T) {
		l := &anyLife{T: r, bench: newBench(t), home: home, texts: map[care.ItemID]string{}, worst: map[care.PersonID]care.Disposition{}}
		l.box.Fail = l.sending
		l.store.failing(l.faults)
		for range rapid.IntRange(5, 60).Draw(r, "steps") {
			l.step()
		}
		l.getWell()
	})
}

// homeLines are the lines that nobody but somebody at home may read.
func homeLines(t *testing.T) map[string]bool {
	t.Helper()
	p := newBench(t).Parts
	lines, shared := map[string]bool{}, map[string]bool{}
	for _, key := range p.Book.Keys() {
		if len(p.Book.Args(key)) > 0 {
			continue
		}
		text, err := p.Book.Text("en", care.Sentence{Key: key})
		if err != nil {
			t.Fatal(err)
		}
		class, _ := p.Book.Class(key)
		for l := range strings.SplitSeq(text, "\n") {
			if class == care.ClassHomeCare || class == care.ClassReassure {
				lines[l] = true
			} else {
				shared[l] = true
			}
		}
	}
	for l := range shared {
		delete(lines, l)
	}
	if len(lines) < 10 {
		t.Fatalf("only %d lines of home care are known", len(lines))
	}
	return lines
}

type anyLife struct {
	*rapid.T
	*bench
	home   map[string]bool
	texts  map[care.ItemID]string
	worst  map[care.PersonID]care.Disposition
	past   []handled
	faulty bool // the store fails now and then
	silent bool // the channel is down
	dice   *rand.Rand
}

// A handled event is known to have been kept.
type handled struct {
	person care.PersonID
	ev     care.Event
}

// faults lets the store fail by dice whose seed rapid has drawn.
func (l *anyLife) faults(string, string) error {
	if l.faulty && l.dice.IntN(6) == 0 {
		return errDown
	}
	return nil
}

// sending looks at each message at the moment at which it is sent.
func (l *anyLife) sending(m outbox.Message) error {
	if l.silent {
		return errors.New("the channel is down")
	}
	key := care.ItemID(fmt.Sprint(m.Person, " ", m.ID, " ", m.Locale)) // in another language the same message has other words
	if had, again := l.texts[key]; again && had != m.Text {
		l.Errorf("message %s says %q and later %q", m.ID, had, m.Text)
	}
	l.texts[key] = m.Text
	if ep := l.episode(m.Person); ep.Disposition == care.Home && !ep.Open {
		return nil
	}
	for line := range strings.SplitSeq(m.Text, "\n") {
		if l.home[line] {
			l.Errorf("home care at %q: %q in %q", l.episode(m.Person).Disposition, line, m.Text)
		}
	}
	return nil
}

var (
	words = []string{
		"34", "70", "3", "2 hours ago", "yesterday", "yes", "no", "none", "not sure", "skip", "left", "ankle", "4", "back", "start over", "stop", "hide",
		"human please", "delete my data", "this is about somebody else", "i don't feel safe at home", "blorp", "why", "better", typed, "i can't feel my toes",
		"the ankle is bent at a strange angle", "i'm on warfarin and i knocked my head when i fell, no headache or anything", "español",
	}
	passes = []time.Duration{0, time.Second, 6 * time.Second, time.Minute, 10 * time.Minute, time.Hour, 13 * time.Hour, 26 * time.Hour, 12 * 24 * time.Hour}
	people = []care.PersonID{"p", "q"}
)

func (l *anyLife) step() {
	person := rapid.SampledFrom(people).Draw(l.T, "person")
	switch rapid.SampledFrom([]string{"answer", "answer", "answer", "answer", "say", "late", "again", "staff", "pass", "pass", "back", "weather"}).Draw(l.T, "step") {
	case "answer":
		l.answer(person)
	case "say":
		l.hand(person, said(rapid.SampledFrom(words).Draw(l.T, "words")))
	case "late":
		l.late(person)
	case "again":
		l.again()
	case "staff":
		l.staff()
	case "pass":
		l.clock.Pass(rapid.SampledFrom(passes).Draw(l.T, "passes"))
		l.sweep()
	case "back":
		l.clock.Pass(-rapid.SampledFrom(passes[:7]).Draw(l.T, "the clock is set back by"))
		l.sweep()
	default:
		l.faulty = rapid.Bool().Draw(l.T, "the store fails")
		l.silent = rapid.IntRange(0, 3).Draw(l.T, "the channel") == 0
		l.store.lose = rapid.IntRange(0, 4).Draw(l.T, "answers") == 0
		l.dice = rand.New(rand.NewPCG(rapid.Uint64().Draw(l.T, "dice"), 1))
	}
}

// answer presses a choice of the open question, or types where it has none.
func (l *anyLife) answer(person care.PersonID) {
	ask := l.episode(l.talking(person)).Ask
	switch {
	case ask == nil:
		l.hand(person, open())
	case len(ask.Choices) == 0:
		l.hand(person, said(rapid.SampledFrom([]string{"34", "2 hours ago", "4", "170 cm"}).Draw(l.T, "typed")))
	default:
		c := rapid.SampledFrom(ask.Choices).Draw(l.T, "choice")
		if rapid.IntRange(0, 2).Draw(l.T, "plainly") > 0 { // the quiet answer leads further
			for _, quiet := range ask.Choices {
				if quiet.Value == care.None || quiet.Value == care.No && c.Value != care.Yes {
					c = quiet
				}
			}
		}
		l.hand(person, chose(c.Value))
	}
}

// talking is the record that an account's words go to now.
func (l *anyLife) talking(person care.PersonID) care.PersonID {
	if data, _, ok, err := l.store.Memory.Get(context.Background(), "account/"+string(person)); err == nil && ok && strings.Contains(string(data), "+2") {
		return person + "+2"
	}
	return person
}

// late presses a button of any message that was ever sent.
func (l *anyLife) late(person care.PersonID) {
	var shown []care.Event
	for _, m := range l.box.Sent() {
		if m.Ask == nil || m.Person != person {
			continue
		}
		for _, c := range m.Ask.Choices {
			shown = append(shown, care.Event{Kind: care.Chose, Token: m.Ask.Token, Choices: []string{c.Value}})
		}
	}
	if len(shown) > 0 {
		l.hand(person, shown[rapid.IntRange(0, len(shown)-1).Draw(l.T, "button")])
	}
}

// hand hands in an event and looks at what became of the record.
func (l *anyLife) hand(person care.PersonID, ev care.Event) {
	l.n++
	ev.ID = care.EventID(fmt.Sprint("event-", l.n))
	err := l.Intake.Handle(context.Background(), caller(person), ev)
	if err == nil {
		l.past = append(l.past, handled{person, ev})
	}
	l.noLower()
}

// again delivers an event anew: it must be recognised, for as long as the
// person is not forgotten.
func (l *anyLife) again() {
	if len(l.past) == 0 || l.faulty || l.store.lose || l.silent {
		return
	}
	p := l.past[rapid.IntRange(max(0, len(l.past)-8), len(l.past)-1).Draw(l.T, "event")]
	person := l.talking(p.person)
	before := l.record(person)
	if !before.HasSeen(p.ev.ID) {
		return // it was another's, or the person was forgotten since
	}
	if err := l.Intake.Handle(context.Background(), caller(p.person), p.ev); !errors.Is(err, intake.ErrSeen) {
		l.Errorf("the event %+v is handled twice: %v", p.ev, err)
	}
}

func (l *anyLife) record(person care.PersonID) record.Record {
	stored, err := l.store.Memory.Load(context.Background(), string(person))
	if err != nil || stored.Bytes == nil {
		return record.Record{}
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		l.Fatal(err)
	}
	return r
}

// staff does something with any item on the list. A disposition may come with
// it, and then it may be lower.
func (l *anyLife) staff() {
	cards := l.cards()
	if len(cards) == 0 {
		return
	}
	card := rapid.SampledFrom(cards).Draw(l.T, "item")
	act := care.StaffAct{
		Do: rapid.SampledFrom([]string{"take", "hand_on", "reply", "call_back", "close", "reopen"}).Draw(l.T, "act"), ID: card.Escalation.ID,
		By: rapid.SampledFrom([]string{"Ana", "Rui"}).Draw(l.T, "by"), To: "Ana", Text: "We read you.", Outcome: "seen",
		Disposition: rapid.SampledFrom([]care.Disposition{0, 0, care.Home, care.Clinician, care.SameDay, care.Emergency}).Draw(l.T, "disposition"),
	}
	err := l.Intake.Staff(context.Background(), act)
	if act.Do == "close" && act.Disposition != 0 && (err == nil || !errors.Is(err, care.ErrStaff)) {
		delete(l.worst, card.Person)
	}
	l.noLower()
}

func (l *anyLife) sweep() {
	// What can't be done is tried again; getWell looks at what is left.
	if _, err := l.Outbox.Sweep(context.Background()); err == nil {
		l.noLower()
	}
	l.Intake.Retry(context.Background())
	l.noLower()
}

// noLower fails if anybody's disposition fell within one episode. A new
// episode, or a forgotten one, begins anew.
func (l *anyLife) noLower() {
	for _, person := range append(slices.Clone(people), "p+2", "q+2") {
		ep := l.episode(person)
		key := care.PersonID(string(person) + " " + string(ep.ID))
		if ep.ID == "" || ep.Erasing {
			continue
		}
		if _, known := l.worst[person]; !known { // staff have spoken since
			delete(l.worst, key)
			l.worst[person] = 1
		}
		if ep.Disposition < l.worst[key] {
			l.Fatalf("the disposition of %s fell from %s to %s", person, l.worst[key], ep.Disposition)
		}
		l.worst[key] = ep.Disposition
	}
}

// getWell mends the store and the channel and lets time pass: then nothing due
// is left, and every escalation is on the staff list.
func (l *anyLife) getWell() {
	l.faulty, l.silent, l.store.lose = false, false, false
	for range 5 {
		l.clock.Pass(record.RoutineLease + time.Second)
		if _, err := l.Outbox.Sweep(context.Background()); err != nil {
			l.Fatalf("with everything well: %v", err)
		}
		l.Intake.Retry(context.Background())
	}
	l.noLower()
	cards := l.cards()
	for _, person := range append(slices.Clone(people), "p+2", "q+2") {
		ep := l.episode(person)
		for _, it := range ep.Agenda {
			if !record.Due(it).After(l.clock.Now()) {
				l.Errorf("%s of %s was due at %v and is not done", it.What, person, it.Due)
			}
		}
		for _, e := range ep.Escalations {
			if !e.Held && !e.Bare && e.State != care.StateClosed && !slices.ContainsFunc(cards, func(c record.Card) bool { return c.Escalation.ID == e.ID }) {
				l.Errorf("the escalation about %s of %s is not on the staff list", e.What, person)
			}
		}
		if ep.Open && !slices.ContainsFunc(ep.Escalations, func(e care.Escalation) bool { return e.Disposition >= care.Emergency }) {
			l.Errorf("%s has an open emergency that staff were never asked about", person)
		}
	}
	l.wakesAgain()
}

// wakesAgain fails unless the store still knows when the next item is due.
func (l *anyLife) wakesAgain() {
	next := map[store.Lane]time.Time{}
	for _, person := range append(slices.Clone(people), "p+2", "q+2") {
		for _, it := range l.episode(person).Agenda {
			lane := record.LaneOf(it)
			if due := record.Due(it); next[lane].IsZero() || due.Before(next[lane]) {
				next[lane] = due
			}
		}
	}
	for _, lane := range []store.Lane{store.Urgent, store.Routine} {
		at, ok, err := l.store.NextDue(context.Background(), lane)
		if err != nil || ok != !next[lane].IsZero() || ok && store.Millis(at) != store.Millis(next[lane]) {
			l.Errorf("the %v lane wakes at %v (%v, %v), and the next item is due at %v", lane, at, ok, err, next[lane])
		}
	}
}
