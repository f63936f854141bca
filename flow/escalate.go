package flow

import (
	"slices"
	"time"

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
		e.State, e.By, e.Since, anew = care.StateOpen, "", t.now, true
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
		t.planNagging(e)
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

// untaken says when staff are asked again about an item that nobody has; the
// third time goes to the second list, and to the person (common practice, the
// clinic sets them).
var untaken = map[care.Disposition][3]time.Duration{
	care.Ambulance: {2 * time.Minute, 5 * time.Minute, 10 * time.Minute},
	care.Emergency: {10 * time.Minute, 20 * time.Minute, 40 * time.Minute},
}

func (t *turn) planNagging(e *care.Escalation) {
	times, ok := untaken[e.Disposition]
	if !ok || e.What != care.AboutDisposition || e.State != care.StateOpen {
		return
	}
	t.cancel(func(it care.Item) bool {
		return it.About == e.ID && (it.What == care.DoAskStaff || it.What == care.DoSecondList)
	})
	for i, after := range times {
		it := care.Item{What: care.DoAskStaff, Due: t.now.Add(after), Urgent: true, About: e.ID, Times: i + 1}
		if i == len(times)-1 {
			it.What = care.DoSecondList
		}
		t.plan(it)
	}
}
