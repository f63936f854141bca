package flow

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
)

var monday = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

func someone(t *testing.T, facts map[string]string) *person {
	t.Helper()
	return newPerson(t, newFlow(t), monday, "Europe/Lisbon", facts)
}

// signed types words that the screen reads as s.
func (p *person) signed(s care.Sign) {
	p.t.Helper()
	p.n++
	ch, err := p.flow.Step(p.ep, care.Event{ID: care.EventID(strings.Repeat("s", p.n)), Kind: care.Said, Text: "words"}, care.Finding{Sign: s}, p.now)
	if err != nil {
		p.t.Fatal(err)
	}
	p.ep, p.log = ch.Episode, append(p.log, ch.Log...)
	p.deliver()
}

// wait lets time pass; what falls due on the way happens at its own time.
func (p *person) wait(d time.Duration) {
	p.t.Helper()
	end := p.now.Add(d)
	for range 500 {
		i := -1
		for j, it := range p.ep.Agenda {
			if !it.Due.After(end) && (i < 0 || it.Due.Before(p.ep.Agenda[i].Due)) {
				i = j
			}
		}
		if i < 0 {
			p.now = end
			return
		}
		it := p.ep.Agenda[i]
		p.now = it.Due
		p.step(care.Event{Kind: care.FellDue, Item: it})
		if slices.ContainsFunc(p.ep.Agenda, func(a care.Item) bool { return a.ID == it.ID }) {
			p.t.Fatalf("%s at %s is still there after it was done", it.What, it.Due)
		}
	}
	p.t.Fatal("something plans itself for ever")
}

func (p *person) has(what string) bool {
	return slices.ContainsFunc(p.ep.Agenda, func(it care.Item) bool { return it.What == what })
}

func (p *person) item(what string) *care.Escalation {
	for i := range p.ep.Escalations {
		if p.ep.Escalations[i].What == what {
			return &p.ep.Escalations[i]
		}
	}
	p.t.Fatalf("no item is about %s", what)
	return nil
}

func (p *person) staff(act care.StaffAct) error {
	act.By = "Rui"
	ch, err := p.flow.Step(p.ep, care.Event{ID: care.EventID(act.Do + p.now.String()), Kind: care.StaffDid, Staff: act}, care.Finding{}, p.now)
	if err == nil {
		p.ep, p.log = ch.Episode, append(p.log, ch.Log...)
		p.deliver()
	}
	return err
}

// Whoever leaves a check halfway is silent: staff are told once, and nothing
// plans itself again and again.
func TestHAZ31_HalfAnsweredCheckTellsStaffOnce(t *testing.T) {
	p := someone(t, nil)
	for p.answer() {
	}
	p.say("hello") // re-opens the talk
	p.wait(40 * time.Hour)
	if e := p.item(care.AboutNoReply); e.State != care.StateOpen {
		t.Errorf("the item is %s", e.State)
	}
}

// With an emergency open, starting over asks danger A and B only, and does
// not close it.
func TestHAZ05_StartOverInAnEmergency(t *testing.T) {
	p := someone(t, map[string]string{"deformed": "yes"})
	p.dayZero()
	p.say("start over")
	p.choose(care.None)
	p.choose(care.None)
	if !p.ep.Open || p.ep.Disposition != care.Emergency || p.ep.State != StateRest {
		t.Errorf("open %v, %s, %s", p.ep.Open, p.ep.Disposition, p.ep.State)
	}
}

// Dangers told in different talks of an episode are told together.
func TestHAZ01_CombinationsHoldOverTheWholeEpisode(t *testing.T) {
	p := someone(t, map[string]string{"deformed": "yes"})
	p.dayZero()
	p.say("start over")
	p.choose(care.None)
	p.choose("foot_numb")
	if p.ep.Disposition != care.Ambulance {
		t.Errorf("deformed and numb: %s", p.ep.Disposition)
	}
	thin := someone(t, map[string]string{"blood_thinner": "yes"})
	thin.dayZero()
	thin.facts = map[string]string{"swelling": "large"}
	thin.fallsDue("day_2", monday.Add(46*time.Hour))
	if thin.ep.Disposition != care.Emergency {
		t.Errorf("a blood thinner and a large swelling on day 2: %s", thin.ep.Disposition)
	}
}

// Each emergency has its own question about a ride.
func TestHAZ31_SecondEmergencyAsksForARide(t *testing.T) {
	p := someone(t, map[string]string{"calf_pain_or_swelling": "yes"})
	p.dayZero()
	if err := p.staff(care.StaffAct{Do: "close", ID: p.item(care.AboutDisposition).ID, Outcome: "seen", Disposition: care.Clinician}); err != nil {
		t.Fatal(err)
	}
	p.wait(20 * time.Hour)
	p.signed(care.Deformity)
	if p.ep.State != "emergency.ride" || p.ep.Ask == nil {
		t.Errorf("the second emergency stands in %s", p.ep.State)
	}
}

// A doubtful sign is asked about until it is answered, whatever comes between.
func TestHAZ28_ADoubtIsNotForgotten(t *testing.T) {
	p := someone(t, map[string]string{"lateral_malleolus": "yes"})
	for p.answer() {
	}
	p.n++
	ch, err := p.flow.Step(p.ep, care.Event{ID: "d", Kind: care.Said, Text: "words"}, care.Finding{Sign: care.SelfHarm, Doubtful: true}, p.now)
	if err != nil {
		t.Fatal(err)
	}
	p.ep = ch.Episode
	p.deliver()
	p.wait(5 * time.Hour) // "have you been seen?" comes between
	p.say("hello")
	if p.ep.Doubt != care.SelfHarm {
		t.Fatal("the doubt is gone")
	}
	p.say("hide")
	p.say("ok")
	p.say("yes")
	if p.ep.Disposition != care.Ambulance || !slices.Contains(p.ep.Because(), string(care.SelfHarm)) {
		t.Errorf("%s because %v", p.ep.Disposition, p.ep.Because())
	}
}

// Day 0 that was left for a danger check, or stopped, can't end at home, and
// all of it is asked when the person comes back.
func TestHAZ02_NothingIsHomeBeforeEverythingWasAsked(t *testing.T) {
	p := someone(t, map[string]string{"pain_worst": "9"})
	for p.ep.State != "day_0.swelling" {
		p.answer()
	}
	p.wait(4 * time.Hour)
	p.choose(care.Next)
	for strings.HasPrefix(p.ep.State, "danger_check.") && p.answer() {
	}
	if p.ep.Disposition < care.Clinician || p.ep.Told < care.Clinician || !slices.Contains(p.ep.Because(), NotFinished) {
		t.Errorf("after the danger check: %s, told %s, because %v", p.ep.Disposition, p.ep.Told, p.ep.Because())
	}
	q := someone(t, nil)
	for q.ep.State != "day_0.heel_cord" {
		q.answer()
	}
	q.say("stop")
	q.say("I am back")
	if q.ep.State != "day_0.danger_a" {
		t.Errorf("coming back after stop stands in %s", q.ep.State)
	}
}

// Friendly sentences are no danger: the plain question has tries of its own.
func TestHAZ24_FriendlySentencesAreNoEmergency(t *testing.T) {
	p := someone(t, nil)
	for _, text := range []string{"i twisted my ankle playing football", "it was this morning on the stairs", "   ", "the weather was lovely there"} {
		p.say(text)
	}
	if p.ep.Disposition != 0 {
		t.Errorf("raised to %s", p.ep.Disposition)
	}
	p.say("no")
	if p.ep.State != "day_0.danger_b" {
		t.Errorf("after no to the plain question: %s", p.ep.State)
	}
}

// Staff end an emergency with its own item only, and a taken one is free
// again when nobody works on it, also after another sign.
func TestHAZ08_StaffAndAnOpenEmergency(t *testing.T) {
	p := someone(t, map[string]string{"calf_pain_or_swelling": "yes"})
	p.dayZero()
	p.say("human")
	if err := p.staff(care.StaffAct{Do: "close", ID: p.item(care.AboutHuman).ID, Outcome: "spoken_to", Disposition: care.Home}); !errors.Is(err, care.ErrStaff) {
		t.Errorf("lowered through another item: %v", err)
	}
	if err := p.staff(care.StaffAct{Do: "take", ID: p.item(care.AboutDisposition).ID}); err != nil {
		t.Fatal(err)
	}
	p.signed(care.ChestPain)
	if !p.has(care.DoFreeAgain) {
		t.Error("a taken item is never free again after another sign")
	}
	p.wait(31 * time.Minute)
	if e := p.item(care.AboutDisposition); e.State != care.StateOpen {
		t.Errorf("after half an hour the item is %s", e.State)
	}
}

// Signs that keep coming do not push back the moment when staff are asked again.
func TestHAZ08_MoreSignsDoNotRestartTheClock(t *testing.T) {
	p := someone(t, map[string]string{"collapsed": "yes"})
	p.dayZero()
	for range 3 {
		p.wait(4 * time.Minute)
		p.signed(care.ChestPain)
	}
	if !p.item(care.AboutDisposition).SecondList {
		t.Error("after twelve minutes the second list knows nothing")
	}
}

// The cold comes off when the person leaves home care.
func TestHAZ29_ColdComesOffWhenThePersonIsRaised(t *testing.T) {
	p := someone(t, nil)
	for p.ep.State != "home.care_cold" {
		p.answer()
	}
	p.choose("cold_timer")
	p.signed(care.NoWeightBearing)
	if p.has(care.DoColdTimer) {
		t.Error("the timer still runs")
	}
	if p.ep.State != "protect.protect" {
		t.Errorf("the person stands in %s", p.ep.State)
	}
}

// Forgetting takes every card off the staff list but an open emergency's.
func TestHAZ26_ForgettingLeavesNoCard(t *testing.T) {
	p := someone(t, map[string]string{"navicular": "yes"})
	p.dayZero()
	p.say("human")
	p.step(care.Event{Kind: care.Said, Text: "delete my data"})
	if !p.ep.Erasing || len(p.ep.Rounds) > 0 || len(p.ep.Reasons) > 0 {
		t.Fatalf("erasing %v, %d rounds, %d reasons are left", p.ep.Erasing, len(p.ep.Rounds), len(p.ep.Reasons))
	}
	for _, e := range p.ep.Escalations {
		if !e.Bare || e.State != care.StateClosed || len(e.Because) > 0 && !slices.Contains(e.Because, "") {
			t.Errorf("left on the list: %+v", e)
		}
	}
}

// Whoever is forgotten in an emergency leaves a bare item, and staff are asked
// again about it until somebody takes it.
func TestHAZ08_ForgettingInAnEmergencyStillAsksStaff(t *testing.T) {
	p := someone(t, map[string]string{"navicular": "yes"})
	p.dayZero()
	p.signed(care.ChestPain)
	p.step(care.Event{Kind: care.Said, Text: "delete my data"})
	if !p.ep.Erasing || !p.has(care.DoAskStaff) || !p.has(care.DoSecondList) {
		t.Fatalf("erasing %t, and planned is %v", p.ep.Erasing, p.ep.Agenda)
	}
	for p.has(care.DoSecondList) {
		i := slices.IndexFunc(p.ep.Agenda, func(it care.Item) bool { return it.What == care.DoAskStaff || it.What == care.DoSecondList })
		p.now = p.ep.Agenda[i].Due
		p.step(care.Event{Kind: care.FellDue, Item: p.ep.Agenda[i]})
	}
	i := slices.IndexFunc(p.ep.Escalations, func(e care.Escalation) bool { return e.What == care.AboutDisposition })
	if e := p.ep.Escalations[i]; !e.Bare || !e.SecondList {
		t.Errorf("the second list was not told: %+v", e)
	}
	for _, it := range p.ep.Agenda {
		if it.What != care.DoSay && it.What != care.DoRaise {
			t.Errorf("left of the person: %+v", it)
		}
	}
}

// No due item of any kind plans itself anew at or before its own moment.
func TestHAZ13_NothingPlansItselfForEver(t *testing.T) {
	for _, facts := range []map[string]string{
		nil,
		{"navicular": "yes"},
		{"deformed": "yes"},
		{"deformed": "yes", "ride": "no"},
		{"consent": "no"},
		{"pain_worst": "9"},
		{"intoxicated": "yes"},
		{"age_years": "8"},
		{"injured_at": "P12D"},
		{"collapsed": "yes", "consent": "no"},
	} {
		p := someone(t, facts)
		p.dayZero()
		p.wait(60 * 24 * time.Hour)
		if p.ep.Aside.What == care.AsideRead {
			p.choose(care.Next)
			p.wait(60 * 24 * time.Hour)
		}
	}
}

// A child who is alone is told to get an adult, nothing is kept and nothing is
// planned; an adult who answers gets the checks.
func TestHAZ30_AChildAloneLeavesNothing(t *testing.T) {
	for _, adult := range []string{"no", "unsure"} {
		p := someone(t, map[string]string{"age_years": "9", "adult_present": adult})
		p.dayZero()
		if !p.ep.Erasing || len(p.ep.Rounds) > 0 || len(p.ep.Agenda) > 0 {
			t.Errorf("adult %s: erasing %v, %d rounds, agenda %v", adult, p.ep.Erasing, len(p.ep.Rounds), p.ep.Agenda)
		}
	}
	p := someone(t, map[string]string{"age_years": "9"})
	p.dayZero()
	if !p.has("day_2") || p.ep.Disposition < care.Clinician {
		t.Errorf("with an adult: %s, checks planned %v", p.ep.Disposition, p.has("day_2"))
	}
}

// A check that falls due late, since the program was away, is not asked at
// night: it waits for the morning, and nothing else of it is lost.
func TestHAZ13_LateCheckWaitsForTheMorning(t *testing.T) {
	p := someone(t, nil)
	p.dayZero()
	i := slices.IndexFunc(p.ep.Agenda, func(it care.Item) bool { return it.What == "day_2" })
	check := p.ep.Agenda[i]
	night := time.Date(check.Due.Year(), check.Due.Month(), check.Due.Day(), 23, 30, 0, 0, time.UTC) // Lisbon is on UTC in winter
	p.now = night
	p.step(care.Event{Kind: care.FellDue, Item: check})
	i = slices.IndexFunc(p.ep.Agenda, func(it care.Item) bool { return it.What == "day_2" })
	if i < 0 {
		t.Fatalf("at %v the check was asked, or lost: %+v", night, p.ep.Agenda)
	}
	if want := time.Date(night.Year(), night.Month(), night.Day()+1, 8, 0, 0, 0, night.Location()); !p.ep.Agenda[i].Due.Equal(want) {
		t.Errorf("it waits until %v, want %v", p.ep.Agenda[i].Due, want)
	}
	p.now = p.ep.Agenda[i].Due
	p.step(care.Event{Kind: care.FellDue, Item: p.ep.Agenda[i]})
	if p.has("day_2") {
		t.Errorf("in the morning it is still planned: %+v", p.ep.Agenda)
	}
}
