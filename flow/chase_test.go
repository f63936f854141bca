package flow

import (
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
)

// atTheClinic is somebody whose clinic has hours.
func atTheClinic(t *testing.T, facts map[string]string) *person {
	t.Helper()
	p := someone(t, facts)
	hours, err := care.ParseHours("Europe/Lisbon", "Mon-Fri 08:00-18:00")
	if err != nil {
		t.Fatal(err)
	}
	p.flow.set.Hours = hours
	return p
}

// chased are the moments at which staff are asked again about an item.
func (p *person) chased(about string) (list []string) {
	for _, it := range p.ep.Agenda {
		if it.About == about && (it.What == care.DoAskStaff || it.What == care.DoSecondList) {
			list = append(list, it.What+" "+it.Due.UTC().Format("Mon 15:04"))
		}
	}
	return list
}

// fall lets the items about an escalation fall due up to the second list.
func (p *person) fall(about string) (keys []string) {
	p.t.Helper()
	for {
		i := slices.IndexFunc(p.ep.Agenda, func(it care.Item) bool { return it.About == about && chasing(it.What) })
		if i < 0 {
			return keys
		}
		it := p.ep.Agenda[i]
		p.now = it.Due
		ch, err := p.flow.Step(p.ep, care.Event{Kind: care.FellDue, Item: it}, care.Finding{}, p.now)
		if err != nil {
			p.t.Fatal(err)
		}
		p.ep = ch.Episode
		for _, m := range p.ep.Agenda {
			if m.What == care.DoSay {
				for _, s := range m.Say.Lines {
					keys = append(keys, string(s.Key))
				}
			}
		}
		p.deliver()
	}
}

// Same-day items are chased in the clinic's hours, milder ones and a call for
// a human on the next two mornings. monday is a Monday, 10:00, in Lisbon.
func TestHAZ08_EveryItemIsChasedWithinHours(t *testing.T) {
	p := atTheClinic(t, map[string]string{"navicular": "yes"})
	p.now = p.now.Add(7 * time.Hour) // 17:00
	p.dayZero()
	id := p.item(care.AboutDisposition).ID
	if got, want := strings.Join(p.chased(id), ", "), "ask_staff Tue 08:00, ask_staff Tue 09:00, second_list Tue 11:00"; got != want {
		t.Errorf("same day: %s, want %s", got, want)
	}
	h := atTheClinic(t, nil)
	h.dayZero()
	h.say("human please")
	id = h.item(care.AboutHuman).ID
	if got, want := strings.Join(h.chased(id), ", "), "ask_staff Tue 08:00, second_list Wed 08:00"; got != want {
		t.Errorf("a human: %s, want %s", got, want)
	}
	keys := h.fall(id)
	if !slices.Equal(keys, []string{"practice", "neutral"}) && !slices.Equal(keys, []string{"neutral"}) {
		t.Errorf("the person first reads %v, want a neutral line", keys)
	}
	if !slices.ContainsFunc(h.ep.Behind, func(s care.Sentence) bool { return s.Key == "nobody_answered.clinician" }) {
		t.Errorf("behind it stands %v", h.ep.Behind)
	}
}

// Nobody is said to be there without hours, outside of them, or half an hour
// after the last press; and who has the talk is told by name and role.
func TestHAZ09_WatchingIsToldOnlyWhenTrue(t *testing.T) {
	for _, c := range []struct {
		name    string
		hours   bool
		at      time.Duration // after Monday 10:00
		pressed time.Duration // before now; negative: never
		taken   bool
		want    care.SentenceKey
	}{
		{"a press within hours", true, 0, 20 * time.Minute, false, "staff_watch"},
		{"somebody has it", true, 0, 20 * time.Minute, true, "staff.has"},
		{"the press is too old", true, 0, 31 * time.Minute, true, "nobody_reads"},
		{"nobody pressed", true, 0, -1, false, "nobody_reads"},
		{"outside the hours", true, 10 * time.Hour, time.Minute, true, "nobody_reads"},
		{"no hours are known", false, 0, time.Minute, false, "nobody_reads"},
	} {
		p := atTheClinic(t, nil)
		if !c.hours {
			p.flow.set.Hours = care.Hours{}
		}
		p.dayZero()
		p.say("human please")
		if c.taken {
			act := care.StaffAct{Do: care.ActTake, ID: p.item(care.AboutHuman).ID, By: "Mira", Role: "nurse"}
			p.step(care.Event{Kind: care.StaffDid, Staff: act})
		}
		p.now = p.now.Add(c.at)
		ev := care.Event{ID: "asks", Kind: care.Said, Text: "human please"}
		if c.pressed >= 0 {
			ev.Pressed = p.now.Add(-c.pressed)
		}
		ch, err := p.flow.Step(p.ep, ev, care.Finding{}, p.now)
		if err != nil {
			t.Fatal(err)
		}
		var said []care.Sentence
		for _, it := range ch.Episode.Agenda {
			if it.What == care.DoSay {
				said = append(said, it.Say.Lines...)
			}
		}
		i := slices.IndexFunc(said, func(s care.Sentence) bool { return s.Key == c.want })
		if i < 0 {
			t.Errorf("%s: %v is said, want %s", c.name, said, c.want)
		} else if c.want == "staff.has" && said[i].Args["by"] != "Mira (nurse)" {
			t.Errorf("%s: by %q", c.name, said[i].Args["by"])
		}
	}
}

// Whatever staff write while an emergency is open, the way to help stands
// before it and the signature below, also when it has waited.
func TestHAZ25_StaffWordsComeBehindTheWayToHelpAndAreSigned(t *testing.T) {
	p := someone(t, nil)
	p.choose("foot_cold_or_pale")
	p.choose("yes")
	act := care.StaffAct{Do: care.ActReply, ID: p.item(care.AboutDisposition).ID, By: "Mira", Role: "nurse", Text: "We ring you now."}
	ch, err := p.flow.Step(p.ep, care.Event{Kind: care.StaffDid, Staff: act}, care.Finding{}, p.now)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(ch.Episode.Agenda, func(it care.Item) bool { return it.What == care.DoSay })
	lines := ch.Episode.Agenda[i].Say.Lines
	lines = slices.DeleteFunc(slices.Clone(lines), func(s care.Sentence) bool { return s.Key == "practice" })
	if len(lines) < 3 || lines[0].Key != "help.first" || lines[0].Args["number"] != "112" || lines[1].Key != "staff.says" || lines[1].Args["by"] != "Mira (nurse)" || lines[2].Key != "signature" {
		t.Errorf("the person reads %v", lines)
	}
}

// Raising and lowering need a reason, keep the item with who did it, and what
// it rests on is never empty.
func TestHAZ23_RaiseAndLowerNeedAReason(t *testing.T) {
	p := someone(t, map[string]string{"navicular": "yes"})
	p.dayZero()
	id := p.item(care.AboutDisposition).ID
	if err := p.staff(care.StaffAct{Do: care.ActLower, ID: id, Disposition: care.Clinician}); err == nil {
		t.Error("lowered without a reason")
	}
	if err := p.staff(care.StaffAct{Do: care.ActLower, ID: id, Disposition: care.Clinician, Note: "looked at it"}); err != nil {
		t.Fatal(err)
	}
	e := p.item(care.AboutDisposition)
	if p.ep.Disposition != care.Clinician || !slices.Equal(p.ep.Because(), []string{"staff"}) || e.State != care.StateTaken || e.Disposition != care.Clinician {
		t.Errorf("%s because %v, item %s at %s", p.ep.Disposition, p.ep.Because(), e.State, e.Disposition)
	}
	if err := p.staff(care.StaffAct{Do: care.ActRaise, ID: id, Disposition: care.Emergency, Note: "numb now"}); err != nil {
		t.Fatal(err)
	}
	if p.ep.Disposition != care.Emergency || !p.ep.Open {
		t.Errorf("raised to %s, open %t", p.ep.Disposition, p.ep.Open)
	}
	if err := p.staff(care.StaffAct{Do: care.ActLower, ID: id, Disposition: care.Home, Note: "x"}); err == nil {
		t.Error("an open emergency was lowered without closing it")
	}
}

// An open emergency stands for every other item: one list of reminders runs,
// and the others begin anew when it is closed.
func TestHAZ24_AnOpenEmergencyStandsForTheOthers(t *testing.T) {
	p := atTheClinic(t, map[string]string{"navicular": "yes"})
	p.dayZero()
	p.say("human please")
	human := p.item(care.AboutHuman).ID
	if len(p.chased(human)) == 0 {
		t.Fatal("nobody is asked again about a call for a human")
	}
	p.signed(care.ChestPain)
	if got := p.chased(human); len(got) != 0 {
		t.Errorf("beside an open emergency runs %v", got)
	}
	own := p.item(care.AboutDisposition).ID
	if len(p.chased(own)) != 3 {
		t.Errorf("the emergency's own reminders are %v", p.chased(own))
	}
	if err := p.staff(care.StaffAct{Do: care.ActClose, ID: own, Outcome: "seen"}); err != nil {
		t.Fatal(err)
	}
	if len(p.chased(human)) == 0 {
		t.Error("closing the emergency leaves the call for a human with nobody")
	}
}

// A community has hours of its own; whoever comes from elsewhere has the usual.
func TestHAZ08_ACommunityHasHoursOfItsOwn(t *testing.T) {
	evenings, err := care.ParseHours("Europe/Lisbon", "Mon-Fri 18:00-22:00")
	if err != nil {
		t.Fatal(err)
	}
	for server, want := range map[string]string{"": "ask_staff Mon 11:00", "other": "ask_staff Mon 11:00", "club": "ask_staff Mon 19:00"} {
		p := atTheClinic(t, map[string]string{"navicular": "yes"})
		p.flow.set.HoursOf = map[string]care.Hours{"club": evenings}
		p.ep = p.flow.Begin(Start{ID: "e", Locale: "en", Zone: "Europe/Lisbon", ZoneSet: true, Region: "PT", Server: server, Now: p.now})
		p.step(care.Event{Kind: care.Opened})
		p.dayZero()
		if got := p.chased(p.item(care.AboutDisposition).ID); len(got) == 0 || got[0] != want {
			t.Errorf("from %q: %v, want %q first", server, got, want)
		}
	}
}
