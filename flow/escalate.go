package flow

import (
	"slices"

	"turnstone/care"
)

// escalate asks staff to look. There is one item of each kind an episode:
// asking again updates it, and opens a closed one again.
func (t *turn) escalate(what string) {
	i := slices.IndexFunc(t.ep.Escalations, func(e care.Escalation) bool { return e.What == what && !e.Bare })
	if i < 0 {
		t.ep.Escalations = append(t.ep.Escalations, care.Escalation{ID: t.next(), What: what, Since: t.now, State: care.StateOpen})
		i = len(t.ep.Escalations) - 1
	}
	e := &t.ep.Escalations[i]
	anew := i == len(t.ep.Escalations)-1 && e.Disposition == 0
	if e.State == care.StateClosed {
		e.State, e.By, e.Role, e.Since, anew = care.StateOpen, "", "", t.now, true
	}
	was := e.Disposition
	e.Disposition = t.disposition()
	if len(t.ep.Rounds) == 0 || !t.ep.Rounds[0].Done { // not decided yet is not home
		e.Disposition = max(e.Disposition, care.Clinician)
	}
	e.Because = nil
	if saysWhy(what) {
		e.Because = t.because()
	}
	e.Sensitive = e.Sensitive || what == care.AboutUnsafe || t.ep.Sensitive || t.sensitiveReason()
	e.Held = t.waitsForConsent(e)
	if e.Held {
		return
	}
	t.handOver(e)
	if anew || e.Disposition > was {
		t.chase(e)
	}
}

// saysWhy: a call for a human, for safety, or word that somebody turned away
// from an open emergency, tells nothing about health.
func saysWhy(what string) bool {
	return what != care.AboutHuman && what != care.AboutUnsafe && what != care.AboutNotSeen
}

func (t *turn) sensitiveReason() bool {
	return slices.ContainsFunc(t.ep.Reasons, func(r care.Reason) bool { return r.Sensitive && !r.Settled })
}

// waitsForConsent: below emergency staff are told nothing about health before
// the person agrees. A call for a human, or for safety, says nothing of it.
func (t *turn) waitsForConsent(e *care.Escalation) bool {
	if e.What == care.AboutHuman || e.What == care.AboutUnsafe {
		return false
	}
	return e.Disposition < care.Emergency && t.consent() != care.Yes
}

// handOver puts an escalation on its way to the staff list.
func (t *turn) handOver(e *care.Escalation) {
	t.note(care.Line{
		Type: care.LineEscalation, ID: e.ID, What: e.What, Disposition: e.Disposition, Because: e.Because, Sensitive: e.Sensitive,
	})
	if !slices.ContainsFunc(t.ep.Agenda, func(it care.Item) bool { return it.What == care.DoRaise && it.About == e.ID }) {
		t.ep.Agenda = append(t.ep.Agenda, care.Item{ID: care.ItemID(t.next()), What: care.DoRaise, Due: t.now, Urgent: true, About: e.ID})
	}
}
