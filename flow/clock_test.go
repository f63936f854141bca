package flow

import (
	"testing"
	"time"

	"turnstone/care"
)

func TestATimeOfDayIsReadAsPeopleWriteIt(t *testing.T) {
	for text, want := range map[string]clock{
		"14:20": {860, false}, "it's 9.05": {545, true}, "2:20 pm": {860, false}, "2 p.m.": {840, false}, "12:10 am": {10, false}, "12 pm": {720, false},
		"00:15": {15, false}, "son las 18:30": {1110, false}, "7h30": {450, true},
	} {
		if got, ok := readClock(text); !ok || got != want {
			t.Errorf("%q reads as %+v, %v; want %+v", text, got, ok, want)
		}
	}
	for _, text := range []string{"", "no idea", "13 pm", "25:00", "half past two"} {
		if got, ok := readClock(text); ok {
			t.Errorf("%q reads as %+v", text, got)
		}
	}
}

// The offsets are those of the IANA time zone database in January 2026.
func TestAZoneIsFoundByItsClock(t *testing.T) {
	now := time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	for told, minutes := range map[clock]int{
		{12 * 60, true}: 0, {12*60 + 15, true}: 0, {13*60 + 5, false}: 60, {7 * 60, true}: -300, {17*60 + 30, false}: 330, {17*60 + 45, false}: 330, {60, true}: 60,
		{21*60 + 30, false}: 570, {0, false}: -720,
	} {
		loc, err := time.LoadLocation(zoneAt(told, now, lisbon))
		if err != nil {
			t.Fatal(err)
		}
		if got := offset(now, loc); got != minutes && !(told.minutes == 17*60+45 && got == 345) {
			t.Errorf("%+v is taken for %s, %d minutes from UTC; want %d", told, loc, got, minutes)
		}
	}
	if got := zoneAt(clock{12*60 + 10, true}, now, lisbon); got != "Europe/Lisbon" {
		t.Errorf("a clock that fits the known zone turns it into %s", got)
	}
}

// server is somebody whose zone and region were set for a whole server.
func server(t *testing.T) *person {
	t.Helper()
	f := newFlow(t)
	p := &person{t: t, flow: f, now: time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)}
	p.ep = f.Begin(Start{ID: "e1", Locale: "en", Zone: "Europe/Lisbon", Region: "PT", Shared: true, Now: p.now})
	p.step(care.Event{Kind: care.Opened})
	return p
}

// toZone answers until the zone is asked for.
func (p *person) toZone() {
	p.t.Helper()
	for range 10 {
		if p.ep.Aside.What == care.AsideZone {
			return
		}
		switch ask := p.ep.Ask; ask.Kind {
		case care.AnyOf:
			p.step(care.Event{Kind: care.Chose, Choices: []string{care.None}})
		case care.Age:
			p.step(care.Event{Kind: care.Said, Text: "34"})
		case care.Since:
			p.step(care.Event{Kind: care.Said, Text: "PT2H"})
		default:
			p.step(care.Event{Kind: care.Chose, Choices: []string{care.Yes}})
		}
	}
	p.t.Fatalf("nobody asks for the zone; the talk is in %s", p.ep.State)
}

func (p *person) plans(what string) bool {
	for _, it := range p.ep.Agenda {
		if it.What == what {
			return true
		}
	}
	return false
}

func TestHAZ13_NoCheckBeforeTheZoneIsConfirmed(t *testing.T) {
	p := server(t)
	p.toZone()
	if p.plans("day_2") || !p.plans(care.DoZone) {
		t.Fatalf("before the zone is confirmed: %+v", p.ep.Agenda)
	}
	p.step(care.Event{Kind: care.Chose, Choices: []string{care.No}})
	p.step(care.Event{Kind: care.Said, Text: "it is 7:05"})
	if p.ep.Zone != "Etc/GMT+5" || !p.ep.ZoneSet || !p.plans("day_2") || p.plans(care.DoZone) || p.ep.Ask == nil {
		t.Errorf("zone %s, agenda %+v", p.ep.Zone, p.ep.Agenda)
	}
}

func TestHAZ13_ACommandDoesNotLoseTheZoneQuestion(t *testing.T) {
	p := server(t)
	p.toZone()
	p.step(care.Event{Kind: care.Said, Text: "why"})
	if p.ep.Aside.What != care.AsideZone {
		t.Fatalf("after a command: %+v", p.ep.Aside)
	}
	p.step(care.Event{Kind: care.Said, Text: "yes"})
	if p.ep.Zone != "Europe/Lisbon" || !p.plans("day_2") {
		t.Errorf("zone %s, agenda %+v", p.ep.Zone, p.ep.Agenda)
	}
}

// Whoever never answers gets the checks all the same, by the server's clock,
// and an answer that comes later is still one to that question.
func TestHAZ13_SilenceAboutTheZoneCostsNoCheck(t *testing.T) {
	p := server(t)
	p.toZone()
	for _, it := range p.ep.Agenda {
		if it.What == care.DoZone {
			p.now = it.Due
			p.step(care.Event{Kind: care.FellDue, Item: it})
		}
	}
	if !p.plans("day_2") || p.ep.Aside.What != care.AsideZone {
		t.Fatalf("after an hour: %+v", p.ep.Agenda)
	}
	state := p.ep.State
	p.step(care.Event{Kind: care.Chose, Choices: []string{care.Yes}, Token: p.ep.Ask.Token})
	if !p.ep.ZoneSet || p.ep.State != state || !p.plans("day_2") {
		t.Errorf("a late answer: state %s, %+v", p.ep.State, p.ep.Agenda)
	}
}

// The card of somebody whose region was set for a server says what to call
// elsewhere; whoever told their region is not asked to think again.
func TestHAZ07_TheCardSaysWhatToCallElsewhere(t *testing.T) {
	f := newFlow(t)
	for _, shared := range []bool{true, false} {
		ep := f.Begin(Start{ID: "e1", Locale: "en", Zone: "Europe/Lisbon", Region: "PT", Shared: shared, Now: time.Unix(0, 0)})
		ch, err := f.Step(ep, care.Event{Kind: care.Said, Text: "x"}, care.Finding{Sign: care.ChestPain}, time.Unix(0, 0))
		if err != nil {
			t.Fatal(err)
		}
		said := false
		for _, it := range ch.Episode.Agenda {
			if it.Say != nil {
				for _, l := range it.Say.Lines {
					said = said || l.Key == "card.elsewhere"
				}
			}
		}
		if said != shared {
			t.Errorf("region of a server %v: the card says what to call elsewhere: %v", shared, said)
		}
	}
}

// A press on a button of a talk that is over opens a new one; a danger sign
// counts then too.
func TestHAZ21_APressOnAnErasedTalkOpensANewOne(t *testing.T) {
	f := newFlow(t)
	for choice, want := range map[string]care.Disposition{care.Yes: 0, "foot_cold_or_pale": care.Ambulance} {
		ep := f.Begin(Start{ID: "e9", Locale: "en", Zone: "UTC", Region: "PT", Now: time.Unix(0, 0)})
		ch, err := f.Step(ep, care.Event{Kind: care.Chose, Choices: []string{choice}, Token: "gone/7"}, care.Finding{}, time.Unix(0, 0))
		if err != nil {
			t.Fatal(err)
		}
		if ch.Episode.Disposition != want || ch.Episode.Ask == nil {
			t.Errorf("%s: %s, ask %v", choice, ch.Episode.Disposition, ch.Episode.Ask)
		}
	}
}
