package flow

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
)

// reads is what an event puts before the person, the keys of a message each.
func (p *person) reads(ev care.Event) (messages []string) {
	p.t.Helper()
	p.n++
	ev.ID = care.EventID(fmt.Sprint("ev", p.n))
	ch, err := p.flow.Step(p.ep, ev, care.Finding{}, p.now)
	if err != nil {
		p.t.Fatalf("event %+v in %s: %v", ev, p.ep.State, err)
	}
	p.ep = ch.Episode
	for _, it := range p.ep.Agenda {
		if it.What == care.DoSay {
			var keys []string
			for _, s := range it.Say.Lines {
				if s.Key != "practice" {
					keys = append(keys, string(s.Key))
				}
			}
			messages = append(messages, strings.Join(keys, " "))
		}
	}
	p.deliver()
	return messages
}

func (p *person) staffDo(act care.StaffAct) []string {
	p.t.Helper()
	act.By, act.Role = "Mira", "nurse"
	return p.reads(care.Event{Kind: care.StaffDid, Staff: act})
}

func (p *person) presses() []string {
	p.t.Helper()
	return p.reads(care.Event{Kind: care.Chose, Choices: []string{care.Next}})
}

// A notification shows the first line. Whatever staff do or write comes behind
// a neutral one for somebody who is not looking, and is read when they press;
// then the advice is that which is in force by then.
func TestHAZ14_WhatStaffDoComesBehindANeutralLine(t *testing.T) {
	for name, c := range map[string]struct {
		act   care.StaffAct
		facts map[string]string
		there string   // with what the message begins for somebody who looks
		then  []string // that stand in what they read after the press, in this order
	}{
		"written": {care.StaffAct{Do: care.ActReply, Text: "The picture shows a break."}, nil, "staff.says", []string{"staff.says", "signature"}},
		"taken":   {care.StaffAct{Do: care.ActTake}, nil, "staff.taken", []string{"staff.taken"}},
		"lowered": {
			care.StaffAct{Do: care.ActLower, Disposition: care.Home, Note: "looked at it"}, nil, "disposition.home staff.lowered", []string{"staff.lowered", "disposition.home", "home.first"},
		},
		"closed and lowered": {
			care.StaffAct{Do: care.ActClose, Disposition: care.Clinician, Outcome: care.Outcomes[0]}, nil, "disposition.clinician staff.lowered", []string{"staff.lowered", "disposition.clinician"},
		},
		"raised":             {care.StaffAct{Do: care.ActRaise, Disposition: care.SameDay, Note: "looked at it"}, map[string]string{"navicular": "no", "pain_worst": "8"}, "disposition.same_day", []string{"disposition.same_day"}},
		"asked for a number": {care.StaffAct{Do: care.ActCallBack}, nil, "ask.phone", []string{"ask.phone"}},
	} {
		t.Run(name, func(t *testing.T) {
			facts := map[string]string{"navicular": "yes"}
			if c.facts != nil {
				facts = c.facts
			}
			for _, away := range []bool{false, true} {
				p := someone(t, facts)
				p.dayZero()
				c.act.ID = p.ep.Escalations[0].ID
				if away {
					p.now = p.now.Add(thereFor + time.Second)
				}
				got := p.staffDo(c.act)
				if !away {
					if len(got) == 0 || !strings.HasPrefix(got[0], c.there) {
						t.Errorf("somebody who is there reads %q", got)
					}
					continue
				}
				if !slices.Equal(got, []string{"neutral"}) {
					t.Fatalf("somebody who is not there reads %q", got)
				}
				text := strings.Join(p.presses(), " ")
				for _, key := range c.then {
					_, rest, found := strings.Cut(text, key)
					if !found {
						t.Errorf("after the press %s is missing, or not in its place", key)
					}
					text = rest
				}
				if p.ep.Behind != nil {
					t.Errorf("it still waits: %v", p.ep.Behind)
				}
			}
		})
	}
}

// Staff close an emergency hours later: that too is behind a neutral line.
func TestHAZ14_AnEmergencyIsClosedBehindANeutralLine(t *testing.T) {
	p := someone(t, map[string]string{"foot_cold_or_pale": "yes"})
	p.dayZero()
	p.now = p.now.Add(3 * time.Hour)
	id := p.item(care.AboutDisposition).ID
	if got := p.staffDo(care.StaffAct{Do: care.ActTake, ID: id}); len(got) != 1 || !strings.Contains(got[0], "staff.taken") {
		t.Errorf("while danger is open they read %q", got)
	}
	if got := p.staffDo(care.StaffAct{Do: care.ActClose, ID: id, Outcome: care.Outcomes[0], Note: "seen"}); !slices.Equal(got, []string{"neutral"}) {
		t.Errorf("when it is closed they read %q", got)
	}
	if got := p.presses(); len(got) == 0 || !strings.Contains(got[0], "staff.closed") {
		t.Errorf("after the press they read %q", got)
	}
}

// What staff have changed waits, and danger comes before it is read: the card
// comes, and no advice from before.
func TestHAZ01_AdviceThatWaitsGivesWayToDanger(t *testing.T) {
	p := someone(t, map[string]string{"navicular": "yes"})
	p.dayZero()
	p.now = p.now.Add(time.Hour)
	p.staffDo(care.StaffAct{Do: care.ActLower, ID: p.ep.Escalations[0].ID, Disposition: care.Home, Note: "looked at it"})
	p.signed(care.ColdBlueFoot)
	if !p.ep.Open {
		t.Fatal("no emergency is open")
	}
	for range 4 {
		if got := strings.Join(p.reads(care.Event{Kind: care.Said, Text: "yes"}), " "); got == "" || strings.Contains(got, "disposition.home") || strings.Contains(got, "staff.lowered") {
			t.Errorf("in an emergency they read %q", got)
		}
	}
}

// Staff have not taken an item, and "have you been seen?" is due at the same
// instant: one neutral line, in either order, and all of it behind.
func TestOneNeutralLineForAllThatFallsDue(t *testing.T) {
	for _, order := range [][]string{{care.DoSecondList, "seen_check"}, {"seen_check", care.DoSecondList}} {
		p := someone(t, map[string]string{"navicular": "yes"})
		p.dayZero()
		fall := func(what string, after time.Duration) []string {
			t.Helper()
			i := slices.IndexFunc(p.ep.Agenda, func(it care.Item) bool { return it.What == what })
			if i < 0 {
				t.Fatalf("no %s is planned", what)
			}
			it := p.ep.Agenda[i]
			p.now = it.Due.Add(after)
			return p.reads(care.Event{Kind: care.FellDue, Item: it})
		}
		lines := append(fall(order[0], 0), fall(order[1], 0)...)
		if !slices.Equal(lines, []string{"neutral"}) {
			t.Errorf("%v: they read %q", order, lines)
		}
		text := strings.Join(p.presses(), " ")
		if !strings.Contains(text, "nobody_answered.same_day") || !strings.Contains(text, "ask.seen_check") {
			t.Errorf("%v: behind the line stands %q", order, text)
		}
	}
	p := someone(t, map[string]string{"navicular": "yes"}) // a line of long ago does not stand for a new question
	p.dayZero()
	p.now = p.now.Add(time.Hour)
	p.staffDo(care.StaffAct{Do: care.ActTake, ID: p.ep.Escalations[0].ID})
	i := slices.IndexFunc(p.ep.Agenda, func(it care.Item) bool { return it.What == "seen_check" })
	it := p.ep.Agenda[i]
	p.now = it.Due
	if got := p.reads(care.Event{Kind: care.FellDue, Item: it}); !slices.Equal(got, []string{"neutral"}) {
		t.Errorf("hours later they read %q", got)
	}
}
