package flow

import (
	"fmt"
	"maps"
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
	if err := t.maySet(e, act); err != nil {
		return err
	}
	switch act.Do {
	case care.ActTake:
		t.taken(e, act.By, act.Role)
	case care.ActHandOn:
		t.taken(e, act.To, act.ToRole)
	case care.ActFree:
		t.release(e)
		return nil
	case care.ActReply:
		t.hold(e, act.By, act.Role)
		t.unasked(sentence("staff.says", "by", named(act.By, act.Role), "text", act.Text), sentence("signature"))
	case care.ActCallBack:
		t.hold(e, act.By, act.Role)
		t.askPhone(e)
	case care.ActRaise, care.ActLower:
		t.hold(e, act.By, act.Role)
		e.Note = act.Note
		t.staffNote(e, e.By)
		return t.set(act.Disposition)
	case care.ActClose:
		return t.closed(e, act)
	case care.ActReopen:
		return t.openAgain(e, act.By)
	}
	t.staffNote(e, e.By)
	return nil
}

// named is how the person reads who writes: a name, and what they are.
func named(by, role string) string {
	if role == "" {
		return by
	}
	return by + " (" + role + ")"
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

// thereFor is how long after their last word somebody is thought to look at
// the talk themselves (common practice, no source).
const thereFor = 10 * time.Minute

// waits reports whether words have to wait behind a neutral line: a
// notification shows the first line to whoever holds the phone, and the person
// may not. While danger is open nothing waits but in a private talk.
func (t *turn) waits() bool {
	away := !t.ep.Open && !t.ep.Closed && t.now.Sub(t.ep.LastHeard) > thereFor
	return !t.answering() && (away || t.ep.Sensitive || t.ep.Aside.What == care.AsideRead)
}

// unasked puts words before somebody who did not write first.
func (t *turn) unasked(lines ...care.Sentence) {
	if t.waits() {
		t.behind(lines...)
		return
	}
	t.lines = append(t.lines, lines...)
	t.show()
}

// behind puts words behind a neutral line: they are read when the person is
// there. In a private talk the line comes at a chosen safe time only.
func (t *turn) behind(lines ...care.Sentence) {
	waits := len(lines) > 0 && slices.ContainsFunc(t.ep.Behind, func(s care.Sentence) bool {
		return s.Key == lines[0].Key && maps.Equal(s.Args, lines[0].Args)
	})
	if !waits { // what waits already is not said twice
		t.ep.Behind = append(t.ep.Behind, lines...)
	}
	private := t.ep.Sensitive && !(t.mayAsk() && t.byDay(t.now).Equal(t.now))
	if t.ep.Aside.What != care.AsideRead && !private {
		t.neutral("neutral")
	}
}

// may reports why an act can't be done now.
func may(e *care.Escalation, act care.StaffAct) error {
	other := e.State == care.StateTaken && e.By != act.By
	set := act.Do == care.ActRaise || act.Do == care.ActLower
	switch {
	case !slices.Contains(care.Acts, act.Do):
		return fmt.Errorf("%w: nothing is called %q; it is one of %s", care.ErrStaff, act.Do, strings.Join(care.Acts, ", "))
	case act.Do == care.ActReopen && e.State != care.StateClosed:
		return fmt.Errorf("%w: item %s is not closed", care.ErrStaff, e.ID)
	case act.Do != care.ActReopen && e.State == care.StateClosed:
		return fmt.Errorf("%w: item %s is closed; reopen it first", care.ErrStaff, e.ID)
	case act.Do == care.ActFree && e.State != care.StateTaken:
		return fmt.Errorf("%w: nobody has item %s", care.ErrStaff, e.ID)
	case other && act.Do != care.ActFree:
		return fmt.Errorf("%w: %s has item %s", care.ErrStaff, named(e.By, e.Role), e.ID)
	case act.Do == care.ActHandOn && strings.TrimSpace(act.To) == "":
		return fmt.Errorf("%w: `to` must say who gets item %s", care.ErrStaff, e.ID)
	case act.Do == care.ActReply && strings.TrimSpace(act.Text) == "":
		return fmt.Errorf("%w: the reply is empty", care.ErrStaff)
	case act.Do == care.ActClose && !slices.Contains(care.Outcomes, act.Outcome):
		return fmt.Errorf("%w: `outcome` must be one of %s", care.ErrStaff, strings.Join(care.Outcomes, ", "))
	case set && (act.Disposition == 0 || strings.TrimSpace(act.Note) == ""):
		return fmt.Errorf("%w: `disposition` must say where to, and `note` why", care.ErrStaff)
	}
	return nil
}

// taken gives an item to somebody: nobody is asked again about it, and the
// person is told who has it.
func (t *turn) taken(e *care.Escalation, by, role string) {
	t.hold(e, by, role)
	if !e.Bare {
		t.unasked(sentence("staff.taken", "by", named(by, role)))
	}
}

// hold makes somebody the one who has an item.
func (t *turn) hold(e *care.Escalation, by, role string) {
	e.State, e.By, e.Role, e.At = care.StateTaken, by, role, t.now
	t.unchase(e)
	if after, ok := freeAfter[e.Disposition]; ok {
		t.plan(care.Item{What: care.DoFreeAgain, Due: t.now.Add(after), Urgent: true, About: e.ID})
	}
}

// maySet: an open emergency ends with its own item, and a fracture is not
// looked after at home.
func (t *turn) maySet(e *care.Escalation, act care.StaffAct) error {
	open := fmt.Errorf("%w: an emergency is open; close its own item first", care.ErrStaff)
	switch {
	case act.Do == care.ActRaise && act.Disposition <= t.ep.Disposition:
		return fmt.Errorf("%w: it is %s already", care.ErrStaff, t.ep.Disposition)
	case act.Do == care.ActLower && act.Disposition >= t.ep.Disposition:
		return fmt.Errorf("%w: that is not below %s", care.ErrStaff, t.ep.Disposition)
	case act.Do == care.ActLower && t.ep.Open:
		return open
	case (act.Do == care.ActRaise || act.Do == care.ActLower) && t.ep.Erasing:
		return fmt.Errorf("%w: that talk was erased", care.ErrStaff)
	case act.Disposition == 0 || act.Do != care.ActClose && act.Do != care.ActLower:
		return nil
	case t.ep.Open && e.What != care.AboutDisposition && act.Disposition < t.ep.Disposition:
		return open
	case act.Disposition == care.Home && t.view().latest(t.p.Roles.Xray) == "fracture":
		return fmt.Errorf("%w: the X-ray showed a fracture; lower to clinician, not to home", care.ErrStaff)
	}
	return nil
}

// closed ends an item. Staff, and only staff, may lower the disposition here.
func (t *turn) closed(e *care.Escalation, act care.StaffAct) error {
	t.unchase(e)
	e.State, e.By, e.Role, e.Outcome, e.Note, e.At = care.StateClosed, act.By, act.Role, act.Outcome, act.Note, t.now
	t.staffNote(e, act.By)
	ended := e.What == care.AboutDisposition && t.ep.Open && !t.ep.Erasing
	if ended {
		t.cancelWhat(t.p.kinds[protocol.Seen].Name, care.DoNoReply)
		t.emergencyOver()
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

// emergencyOver takes up again what an emergency stood for: the checks, and
// what staff are asked about by itself.
func (t *turn) emergencyOver() {
	t.ep.Open = false
	t.planChecks()
	for i := range t.ep.Escalations {
		e := &t.ep.Escalations[i]
		asked := slices.ContainsFunc(t.ep.Agenda, func(it care.Item) bool { return it.About == e.ID && chasing(it.What) })
		if !asked {
			t.chase(e)
		}
	}
}

// set puts the disposition where staff say: lower settles the reasons above
// it, higher is one more reason. The person is told.
func (t *turn) set(d care.Disposition) error {
	mine := care.Reason{Row: "staff/" + t.next(), To: d, Names: []string{"staff"}}
	if d > t.ep.Disposition {
		t.raise(mine)
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
	if len(t.because()) == 0 && d > care.Home { // nothing else says so: staff do
		t.ep.Reasons = append(t.ep.Reasons, mine)
	}
	t.reported()
	t.refresh(care.AboutDisposition)
	t.cancelWhat(t.p.kinds[protocol.Seen].Name, care.DoRepeat, care.DoNoReply)
	if d > care.Home {
		t.planSeen()
	}
	looked := sentence("staff.lowered", "by", named(t.ev.Staff.By, t.ev.Staff.Role))
	if pl, asking := t.place(); asking && pl.talk.Kind == protocol.First {
		t.unasked(looked)
		return nil
	}
	if t.waits() {
		t.adviseLater(looked)
		return nil
	}
	return t.advise(t.p.kinds[protocol.First])
}

// openAgain opens a closed item; an emergency's opens the emergency too.
func (t *turn) openAgain(e *care.Escalation, by string) error {
	e.State, e.By, e.Role, e.Outcome, e.Since, e.At = care.StateOpen, "", "", "", t.now, t.now
	t.staffNote(e, by)
	if e.What != care.AboutDisposition || e.Disposition < care.Emergency || t.ep.Erasing {
		t.chase(e)
		return nil
	}
	t.raise(care.Reason{Row: "staff/" + t.next(), To: e.Disposition, Names: []string{"staff"}})
	return t.emergency()
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
	by := named(e.By, e.Role)
	switch {
	case t.ep.Sensitive || t.ep.Aside.What == care.AsideRead:
		t.unasked(sentence("staff.wants_call", "by", by))
	case t.waits():
		t.behind()
		t.ep.Aside.About, t.ep.Aside.By = e.ID, by
	default:
		t.ep.Aside = care.Aside{What: care.AsidePhone, About: e.ID, By: by}
		t.show()
	}
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
