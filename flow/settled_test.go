package flow

import (
	"slices"
	"testing"
	"time"

	"turnstone/care"
)

// Pain that is out of control keeps the leg at the height of the heart, also
// once staff have lowered the emergency that it was.
func TestHAZ29_PainOutOfControlKeepsTheLegLevel(t *testing.T) {
	for fact, want := range map[string]string{"pain_out_of_control": "protect.protect_level", "calf_pain_or_swelling": "protect.protect"} {
		p := someone(t, map[string]string{fact: "yes"})
		p.dayZero()
		p.say("hello")
		if err := p.staff(care.StaffAct{Do: care.ActClose, ID: p.item(care.AboutDisposition).ID, Outcome: care.Outcomes[0], Note: "looked at it", Disposition: care.Clinician}); err != nil {
			t.Fatal(err)
		}
		if p.ep.State != want {
			t.Errorf("after %s and staff's word they stand in %s, want %s", fact, p.ep.State, want)
		}
		if pl, asking := p.flow.current.table.screens[p.ep.State]; asking && (pl.screen.Picture == "raise") != (want == "protect.protect") {
			t.Errorf("after %s the picture is %q", fact, pl.screen.Picture)
		}
	}
}

// An emergency stands for all items. When it ends with an examination and an
// X-ray, staff are asked about the others by themselves again.
func TestHAZ08_WhatAnEmergencyStoodForIsChasedAfterTheExamination(t *testing.T) {
	p := atTheClinic(t, map[string]string{"foot_numb": "yes", "xray_result": "no_fracture"})
	p.dayZero()
	p.say("human please")
	human := p.item(care.AboutHuman).ID
	if got := p.chased(human); got != nil {
		t.Fatalf("while danger is open is planned %q", got)
	}
	own := p.chased(p.item(care.AboutDisposition).ID)
	p.now = p.now.Add(time.Minute)
	for range 6 {
		if !p.ep.Open {
			break
		}
		p.say("hello")
		p.answer()
		p.answer()
	}
	if p.ep.Open {
		t.Fatalf("it does not end; they stand in %s", p.ep.State)
	}
	if got := p.chased(human); len(got) == 0 {
		t.Errorf("after it is planned %q", got)
	}
	if got := p.chased(p.item(care.AboutDisposition).ID); !slices.Equal(got, own) {
		t.Errorf("about its own item is planned %q, and was %q", got, own)
	}
}
