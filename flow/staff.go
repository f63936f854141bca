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
	i := slices.IndexFunc(t.ep.Escalations, func(e care.Escalation) bool { return e.ID == act.ID })
	if i < 0 {
		return fmt.Errorf("%w: no item has the ID %q", care.ErrStaff, act.ID)
	}
	e := &t.ep.Escalations[i]
	if strings.TrimSpace(act.By) == "" {
		return fmt.Errorf("%w: `by` must say who does it", care.ErrStaff)
	}
	if err := may(e, act); err != nil {
		return err
	}
	switch act.Do {
	case "take":
		t.taken(e, act.By)
	case "hand_on":
		t.taken(e, act.To)
	case "reply":
		t.say("staff.says", "by", act.By, "text", act.Text)
		t.say("signature")
		t.untouched(e)
		t.show()
	case "call_back":
		t.ep.Aside = care.Aside{What: care.AsidePhone, About: act.By}
		t.untouched(e)
		t.show()
	case "close":
		return t.closed(e, act)
	case "reopen":
		e.State, e.By, e.Outcome = care.StateOpen, "", ""
		t.planNagging(e)
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
	e.State, e.By = care.StateTaken, by
	t.untouched(e)
	if after, ok := freeAgain[e.Disposition]; ok {
		t.plan(care.Item{What: care.DoFreeAgain, Due: t.now.Add(after), Urgent: true, About: e.ID})
	}
	if !t.ep.Sensitive && !e.Bare {
		t.say("staff.taken", "by", by)
		t.show()
	}
}

// untouched takes back what was planned for an item nobody works on.
func (t *turn) untouched(e *care.Escalation) {
	t.cancel(func(it care.Item) bool {
		return it.About == e.ID && slices.Contains([]string{care.DoAskStaff, care.DoSecondList, care.DoFreeAgain}, it.What)
	})
}

// closed ends an item. Staff, and only staff, may lower the disposition here.
func (t *turn) closed(e *care.Escalation, act care.StaffAct) error {
	t.untouched(e)
	e.State, e.By, e.Outcome, e.Note = care.StateClosed, act.By, act.Outcome, act.Note
	t.staffNote(e, act.By)
	if e.What == care.AboutDisposition && t.ep.Open {
		t.ep.Open = false
		t.cancelWhat(t.p.kinds[protocol.Seen].Name)
		t.planChecks()
	}
	if act.Disposition != 0 && act.Disposition != t.ep.Disposition {
		return t.set(act.Disposition)
	}
	return nil
}

// set puts the disposition where staff say: lower settles the reasons above
// it, higher is one more reason.
func (t *turn) set(d care.Disposition) error {
	if d > t.ep.Disposition {
		t.raise(care.Reason{Row: "staff/" + t.next(), To: d, Names: []string{"staff"}})
		if d >= care.Emergency {
			return t.emergency()
		}
		t.rose()
		return nil
	}
	for i := range t.ep.Reasons {
		if t.ep.Reasons[i].To > d {
			t.ep.Reasons[i].Settled = true
		}
	}
	t.ep.Disposition, t.ep.Told = d, d
	t.reported()
	t.cancelWhat(t.p.kinds[protocol.Seen].Name, care.DoRepeat, care.DoNoReply)
	if d > care.Home {
		t.planSeen()
	}
	if t.ep.State != StateRest {
		return nil
	}
	return t.advise(t.p.kinds[protocol.First])
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
	if t.ep.Sensitive && !t.mayAsk() {
		return nil
	}
	if number, ok := t.f.set.Numbers.Emergency(t.ep.Region); ok {
		t.say("nobody_answered", "number", number)
	} else {
		t.say("nobody_answered.unknown")
	}
	t.show()
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

// phone takes a number for the call-back, or the wish not to give one.
func (t *turn) phone(text string) error {
	digits := 0
	for _, r := range text {
		if unicode.IsDigit(r) {
			digits++
		}
	}
	by := t.ep.Aside.About
	t.ep.Aside = care.Aside{}
	switch {
	case digits >= phoneDigits && digits <= phoneMost:
		for i := range t.ep.Escalations {
			if t.ep.Escalations[i].By == by && t.ep.Escalations[i].State == care.StateTaken {
				t.ep.Escalations[i].Phone = strings.TrimSpace(text)
			}
		}
		t.say("phone.kept", "by", by)
	default:
		t.say("phone.none")
	}
	t.show()
	return nil
}
