package flow

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
	"turnstone/locales"
)

// wrist is a flow under a protocol that shares no name with the first.
func wrist(t *testing.T) *Flow {
	t.Helper()
	data, err := os.ReadFile("testdata/second.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := protocol.Parse("second.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	reader, err := answer.Load(locales.Files)
	if err != nil {
		t.Fatal(err)
	}
	f, err := New(Settings{Protocols: []*protocol.Protocol{p}, Current: "wrist", Reader: reader, Book: plainBook{}, Numbers: portugal{}})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

var knocked = map[string]string{
	"years": "30", "guardian": "yes", "may_keep": "yes", "when_hit": "PT1H", "snuffbox": "no", "ache": "6", "feels": "same", "lift": "yes",
	"was_seen": "yes", "safe_when": "any_time",
}

func (p *person) knock(facts map[string]string) {
	p.t.Helper()
	p.facts = map[string]string{}
	for k, v := range knocked {
		p.facts[k] = v
	}
	for k, v := range facts {
		p.facts[k] = v
	}
	for (strings.HasPrefix(p.ep.State, "knock.") || strings.HasPrefix(p.ep.State, "alarm.")) && p.answer() {
	}
}

// The flow is not written around its first protocol: another one, with other
// facts, talks, bands, night and figures, runs by its own file alone.
func TestAnotherProtocolRunsByItsOwnFile(t *testing.T) {
	f := wrist(t)
	for _, c := range []struct {
		facts map[string]string
		want  care.Disposition
		names []string
	}{
		{nil, care.Home, nil},
		{m("hand_cold", "yes"), care.Ambulance, []string{"hand_cold"}},
		{m("wrist_bent", "yes"), care.Emergency, []string{"wrist_bent"}},
		{m("wrist_bent", "yes", "lift", "no"), care.Ambulance, []string{"wrist_bent", "lift"}},
		{m("years", "9"), care.SameDay, []string{"years"}},
		{m("when_hit", "P4D"), care.Clinician, []string{"when_hit"}},
		{m("snuffbox", "unsure"), care.SameDay, []string{"snuffbox"}},
		{m("ache", "9"), care.Clinician, []string{"ache"}},
	} {
		p := newPerson(t, f, monday, "Europe/Lisbon", nil)
		p.knock(c.facts)
		last := p.lastDisposition()
		if last.Disposition != c.want || !slices.Equal(last.Because, append([]string{}, c.names...)) || len(last.Rule) != 0 {
			t.Errorf("%v: %s because %v, rule %v; want %s because %v", c.facts, last.Disposition, last.Because, last.Rule, c.want, c.names)
		}
	}
}

// Its own calendar: one check after 24 h, out of a night from 23:00 to 06:30;
// its own figures of what is worse.
func TestAnotherProtocolHasItsOwnCalendar(t *testing.T) {
	late := time.Date(2026, 3, 2, 23, 30, 0, 0, time.UTC)
	p := newPerson(t, wrist(t), late.Add(time.Hour), "Europe/Lisbon", nil)
	p.knock(nil)
	i := slices.IndexFunc(p.ep.Agenda, func(it care.Item) bool { return it.What == "day_1" })
	if i < 0 || !p.ep.Agenda[i].Due.Equal(time.Date(2026, 3, 4, 6, 30, 0, 0, time.UTC)) {
		t.Fatalf("planned: %v", p.ep.Agenda)
	}
	p.wait(31 * time.Hour)
	p.choose(care.Next)
	p.facts = m("ache", "9", "feels", "same")
	for strings.HasPrefix(p.ep.State, "day_1.") && p.answer() {
	}
	if p.ep.Disposition != care.Emergency || !slices.Contains(p.ep.Because(), "ache") {
		t.Errorf("three points more: %s because %v", p.ep.Disposition, p.ep.Because())
	}
}
