package flow

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// staff does what a staff member decided.
func (t *turn) staff(act care.StaffAct) error {
	e := t.escalation(act.ID)
	if e == nil {
		return fmt.Errorf("%w: no item has the ID %q", care.ErrStaff, act.ID)
	}
	if strings.TrimSpace(act.By) == "" {
		return fmt.Errorf("%w: `by` must say who does it", care.ErrStaff)
	}
	if err := may(e, act); err != nil {
		return err
	}
	if err := t.mayLower(e, act); err != nil {
		return err
	}
	switch act.Do {
	case "take":
		t.taken(e, act.By)
	case "hand_on":
		t.taken(e, act.To)
	case "reply":
		t.hold(e, act.By)
		t.unasked(sentence("staff.says", "by", act.By, "text", act.Text), sentence("signature"))
	case "call_back":
		t.hold(e, act.By)
		t.askPhone(e)
	case "close":
		return t.closed(e, act)
	case "reopen":
		return t.openAgain(e, act.By)
	}
	t.staffNote(e, act.By)
	return nil
}

func (t *turn) staffNote(e *care.Escalation, by string) {
	t.note(care.Line{Type: care.LineStaff, ID: e.ID, State: e.State, By: by})
	t.refreshCard(e)
}

func (t *turn) refreshCard(e *care.Escalation) {
	if !t.raising(e.ID) {
		t.ep.Agenda = append(t.ep.Agenda, care.Item{ID: care.ItemID(t.next()), What: care.DoRaise, Due: t.now, Urgent: true, About: e.ID})
	}
}

// unasked puts words before somebody who did not write first. Behind a
// neutral line they wait; in a private talk they come behind one, and only at
// a chosen safe time, or else when the person writes.
func (t *turn) unasked(lines ...care.Sentence) {
	switch {
	case t.ep.Aside.What == care.AsideRead:
		t.ep.Behind = append(t.ep.Behind, lines...)
	case t.ep.Sensitive:
		t.ep.Behind = append(t.ep.Behind, lines...)
		if t.mayAsk() && t.byDay(t.now).Equal(t.now) {
			t.neutral("neutral")
		}
	default:
		t.lines = append(t.lines, lines...)
		t.show()
	}
}

// may reports why an act can't be done now.
func may(e *care.Escalation, act care.StaffAct) error {
	other := e.State == care.StateTaken && e.By != act.By
	switch {
	case !slices.Contains([]string{"take", "hand_on", "reply", "call_back", "close", "reopen"}, act.Do):
		return fmt.Errorf("%w: nothing is called %q; it is take, hand_on, reply, call_back, close or reopen", care.ErrStaff, act.Do)
	case act.Do == "reopen" && e.State != care.StateClosed:
		return fmt.Errorf("%w: item %s is not closed", care.ErrStaff, e.ID)
	case act.Do != "reopen" && e.State == care.StateClosed:
		return fmt.Errorf("%w: item %s is closed; reopen it first", care.ErrStaff, e.ID)
	case other:
		return fmt.Errorf("%w: %s has item %s", care.ErrStaff, e.By, e.ID)
	case act.Do == "hand_on" && strings.TrimSpace(act.To) == "":
		return fmt.Errorf("%w: `to` must say who gets item %s", care.ErrStaff, e.ID)
	case act.Do == "reply" && strings.TrimSpace(act.Text) == "":
		return fmt.Errorf("%w: the reply is empty", care.ErrStaff)
	case act.Do == "close" && !slices.Contains(care.Outcomes, act.Outcome):
		return fmt.Errorf("%w: `outcome` must be one of %s", care.ErrStaff, strings.Join(care.Outcomes, ", "))
	}
	return nil
}

// freeAgain says after how long a taken item that is neither written on nor
// closed is free again (common practice, the clinic sets them).
var freeAgain = map[care.Disposition]time.Duration{
	care.Ambulance: 10 * time.Minute, care.Emergency: 30 * time.Minute, care.SameDay: 4 * time.Hour,
}

// taken gives an item to somebody: nobody is asked again about it, and the
// person is told who has it.
func (t *turn) taken(e *care.Escalation, by string) {
	t.hold(e, by)
	if !e.Bare {
		t.unasked(sentence("staff.taken", "by", by))
	}
}

// hold makes somebody the one who has an item.
func (t *turn) hold(e *care.Escalation, by string) {
	e.State, e.By = care.StateTaken, by
	t.untouched(e)
	if after, ok := freeAgain[e.Disposition]; ok {
		t.plan(care.Item{What: care.DoFreeAgain, Due: t.now.Add(after), Urgent: true, About: e.ID})
	}
}

// untouched takes back what was planned for an item nobody works on.
func (t *turn) untouched(e *care.Escalation) {
	t.cancel(func(it care.Item) bool {
		return it.About == e.ID && slices.Contains([]string{care.DoAskStaff, care.DoSecondList, care.DoFreeAgain}, it.What)
	})
}

// mayLower: an open emergency ends with its own item, and a fracture is not
// looked after at home.
func (t *turn) mayLower(e *care.Escalation, act care.StaffAct) error {
	switch {
	case act.Disposition == 0 || act.Do != "close":
		return nil
	case t.ep.Open && e.What != care.AboutDisposition && act.Disposition < t.ep.Disposition:
		return fmt.Errorf("%w: an emergency is open; close its own item first", care.ErrStaff)
	case act.Disposition == care.Home && t.view().latest(t.p.Roles.Xray) == "fracture":
		return fmt.Errorf("%w: the X-ray showed a fracture; lower to clinician, not to home", care.ErrStaff)
	}
	return nil
}

// closed ends an item. Staff, and only staff, may lower the disposition here.
func (t *turn) closed(e *care.Escalation, act care.StaffAct) error {
	t.untouched(e)
	e.State, e.By, e.Outcome, e.Note = care.StateClosed, act.By, act.Outcome, act.Note
	t.staffNote(e, act.By)
	ended := e.What == care.AboutDisposition && t.ep.Open && !t.ep.Erasing
	if ended {
		t.ep.Open = false
		t.cancelWhat(t.p.kinds[protocol.Seen].Name, care.DoNoReply)
		t.planChecks()
	}
	if act.Disposition != 0 && act.Disposition != t.ep.Disposition && !t.ep.Erasing {
		return t.set(act.Disposition)
	}
	if !ended {
		return nil
	}
	if err := t.move(evStop); err != nil {
		return err
	}
	t.ep.Trail, t.ep.Retaken = nil, ""
	if t.ep.Aside.What == "" {
		t.ep.Ask = nil
	}
	t.unasked(sentence("staff.closed"))
	return nil
}

// set puts the disposition where staff say: lower settles the reasons above
// it, higher is one more reason. The person is told.
func (t *turn) set(d care.Disposition) error {
	if d > t.ep.Disposition {
		t.raise(care.Reason{Row: "staff/" + t.next(), To: d, Names: []string{"staff"}})
		if d >= care.Emergency {
			return t.emergency()
		}
		return t.typedRaise()
	}
	for i := range t.ep.Reasons {
		if t.ep.Reasons[i].To > d {
			t.ep.Reasons[i].Settled = true
		}
	}
	t.ep.Disposition, t.ep.Told, t.lowered = d, d, true
	t.reported()
	t.cancelWhat(t.p.kinds[protocol.Seen].Name, care.DoRepeat, care.DoNoReply)
	if d > care.Home {
		t.planSeen()
	}
	if pl, asking := t.place(); asking && pl.talk.Kind == protocol.First || t.ep.Aside.What == care.AsideRead || t.ep.Sensitive {
		t.unasked(sentence("staff.lowered", "by", t.ev.Staff.By))
		return nil
	}
	return t.advise(t.p.kinds[protocol.First])
}

// openAgain opens a closed item; an emergency's opens the emergency too.
func (t *turn) openAgain(e *care.Escalation, by string) error {
	e.State, e.By, e.Outcome, e.Since = care.StateOpen, "", "", t.now
	t.staffNote(e, by)
	if e.What != care.AboutDisposition || e.Disposition < care.Emergency || t.ep.Erasing {
		t.planNagging(e)
		return nil
	}
	t.raise(care.Reason{Row: "staff/" + t.next(), To: e.Disposition, Names: []string{"staff"}})
	return t.emergency()
}

// askStaffAgain reminds staff of an item that nobody has.
func (t *turn) askStaffAgain(it care.Item) error {
	if e := t.escalation(it.About); e != nil && e.State == care.StateOpen {
		t.refreshCard(e)
	}
	return nil
}

// secondList tells the second list, and the person that nobody has answered.
func (t *turn) secondList(it care.Item) error {
	e := t.escalation(it.About)
	if e == nil || e.State != care.StateOpen {
		return nil
	}
	e.SecondList = true
	t.refreshCard(e)
	if t.ep.Stopped || e.Bare {
		return nil // the person wants no more messages; staff are still asked
	}
	if number, ok := t.f.set.Numbers.Emergency(t.ep.Region); ok {
		t.unasked(sentence("nobody_answered", "number", number))
	} else {
		t.unasked(sentence("nobody_answered.unknown"))
	}
	return nil
}

// freeAgain lets go an item that somebody took and left.
func (t *turn) freeAgain(it care.Item) error {
	if e := t.escalation(it.About); e != nil && e.State == care.StateTaken {
		e.State, e.By = care.StateOpen, ""
		t.staffNote(e, "")
		t.planNagging(e)
	}
	return nil
}

func (t *turn) escalation(id string) *care.Escalation {
	for i := range t.ep.Escalations {
		if t.ep.Escalations[i].ID == id {
			return &t.ep.Escalations[i]
		}
	}
	return nil
}

// phoneDigits is the least number of digits of a telephone number (ITU-T
// E.164 sets at most fifteen; the least is common practice, no source).
const phoneDigits, phoneMost = 6, 15

// askPhone asks for a number for a call-back, beside whatever is open.
func (t *turn) askPhone(e *care.Escalation) {
	if t.ep.Sensitive || t.ep.Aside.What == care.AsideRead {
		t.unasked(sentence("staff.wants_call", "by", e.By))
		return
	}
	t.ep.Aside = care.Aside{What: care.AsidePhone, About: e.ID, By: e.By}
	t.show()
}

// phone takes a number for the call-back, or the wish not to give one. Only
// who has the item sees it.
func (t *turn) phone(text string) error {
	digits := 0
	for _, r := range text {
		if unicode.IsDigit(r) {
			digits++
		}
	}
	aside := t.ep.Aside
	t.ep.Aside = care.Aside{}
	e := t.escalation(aside.About)
	if e == nil || digits < phoneDigits || digits > phoneMost {
		t.say("phone.none")
		t.show()
		return nil
	}
	e.Phone = strings.TrimSpace(text)
	t.refreshCard(e)
	t.say("phone.kept", "by", aside.By)
	t.show()
	return nil
}
