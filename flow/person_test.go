package flow

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
	"turnstone/locales"
)

// plainBook has every sentence, so that the dialogue is tested without words.
type plainBook struct{}

func (plainBook) Text(_ care.Locale, s care.Sentence) (string, error) { return string(s.Key), nil }
func (plainBook) Words(care.Locale, care.SentenceKey) []string        { return nil }
func (plainBook) Spoken(care.Locale, care.SentenceKey) bool           { return true }
func (plainBook) Name(l care.Locale) string                           { return string(l) }
func (plainBook) Has(k care.SentenceKey) bool                         { return !strings.Contains(string(k), "care_pain.") }

// portugal is a region with one number and no crisis line.
type portugal struct{}

func (portugal) Emergency(region string) (string, bool) { return "112", region == "PT" }
func (portugal) Crisis(string) (string, bool)           { return "", false }
func (portugal) Zone(string) (string, bool)             { return "", false }
func (portugal) Places() []care.Sentence                { return nil }

func newFlow(t testing.TB) *Flow {
	t.Helper()
	reader, err := answer.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	all, err := protocol.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	f, err := New(Settings{Protocols: all, Current: "ankle", Reader: reader, Book: plainBook{}, Numbers: portugal{}, Practice: true})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// A person answers what is asked from a table of facts; what the table does
// not say gets the plain answer.
type person struct {
	t     testing.TB
	flow  *Flow
	ep    care.Episode
	now   time.Time
	facts map[string]string
	asked []string
	log   []care.Line
	n     int
}

func newPerson(t testing.TB, f *Flow, start time.Time, zone string, facts map[string]string) *person {
	t.Helper()
	p := &person{t: t, flow: f, now: start, facts: facts}
	p.ep = f.Begin(Start{ID: "e1", Locale: "en", Zone: zone, ZoneSet: true, Region: "PT", Now: start})
	p.step(care.Event{Kind: care.Opened})
	return p
}

func (p *person) step(ev care.Event) {
	p.t.Helper()
	p.n++
	ev.ID = care.EventID(fmt.Sprint("ev", p.n))
	ch, err := p.flow.Step(p.ep, ev, care.Finding{}, p.now)
	if err != nil {
		p.t.Fatalf("event %+v in %s: %v", ev, p.ep.State, err)
	}
	p.ep, p.log = ch.Episode, append(p.log, ch.Log...)
	p.deliver()
}

// deliver takes what is due now from the agenda, as the outbox would.
func (p *person) deliver() {
	p.ep.Agenda = slices.DeleteFunc(p.ep.Agenda, func(it care.Item) bool {
		return (it.What == care.DoSay || it.What == care.DoRaise) && !it.Due.After(p.now)
	})
}

func (p *person) say(text string) { p.t.Helper(); p.step(care.Event{Kind: care.Said, Text: text}) }
func (p *person) choose(values ...string) {
	p.t.Helper()
	p.step(care.Event{Kind: care.Chose, Choices: values})
}

// plain are the answers of somebody with a plain sprain.
var plain = map[string]string{
	"age_years": "34", "adult_present": "yes", "consent": "yes", "injured_at": "PT2H", "side": "left", "where_it_hurts": "ankle",
	"four_steps_then": "yes", "four_steps_now": "yes", "pain_worst": "4", "swelling": "some", "walking": "limp", "overall": "same",
	"ride": "yes", "sober_adult": "yes", "xray_result": "not_done", "height_cm": "170 cm", "safe_time": "any_time", "crutch_fit": "yes", "seen_check": "yes", "xray_since": "not_done",
}

func (p *person) fact(name string) string {
	if v, ok := p.facts[name]; ok {
		return v
	}
	if v, ok := plain[name]; ok {
		return v
	}
	return care.No
}

// answer answers the open question; it reports false where none is open.
func (p *person) answer() bool {
	p.t.Helper()
	ask := p.ep.Ask
	if ask == nil {
		return false
	}
	for _, f := range ask.Facts {
		p.asked = append(p.asked, string(f))
	}
	switch ask.Kind {
	case care.NextOf:
		p.choose(care.Next)
	case care.AnyOf:
		p.group(ask)
	default:
		p.one(ask, p.fact(string(ask.Facts[0])))
	}
	return true
}

func (p *person) group(ask *care.Ask) {
	p.t.Helper()
	pl := p.flow.current.table.screens[p.ep.State]
	if v := p.facts["group:"+pl.screen.Name]; v == "skip" {
		p.say("skip")
		return
	} else if v != "" && !slices.ContainsFunc(ask.Facts, func(f care.Fact) bool { return p.facts[string(f)] == "yes" }) {
		p.choose(v)
		return
	}
	var chosen []string
	for _, f := range ask.Facts {
		if p.fact(string(f)) == care.Yes {
			chosen = append(chosen, string(f))
		}
	}
	if len(chosen) == 0 {
		chosen = []string{care.None}
	}
	p.choose(chosen...)
}

func (p *person) one(ask *care.Ask, v string) {
	p.t.Helper()
	switch {
	case v == "skip":
		p.say("skip")
	case v == "unreadable":
		p.say("blorp")
		p.say("blorp")
	case ask.Kind == care.Several && v != care.Unsure:
		p.choose(strings.Split(v, ",")...)
	case len(ask.Choices) > 0:
		p.choose(v)
	case v == care.Unsure:
		p.say("not sure")
		if p.ep.Ask != nil && p.ep.Ask.Facts[0] == ask.Facts[0] {
			p.say("not sure")
		}
	default:
		p.say(v)
	}
}

// dayZero answers until the day-0 questions are over.
func (p *person) dayZero() {
	p.t.Helper()
	for range 60 {
		if strings.HasPrefix(p.ep.State, "day_0.") || p.ep.State == "emergency.ride" {
			if !p.answer() {
				return
			}
			continue
		}
		return
	}
	p.t.Fatalf("still asking in %s", p.ep.State)
}
