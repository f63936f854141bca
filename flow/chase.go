package flow

import (
	"slices"
	"time"

	"turnstone/care"
)

// untaken says when staff are asked again about an item that nobody has; the
// last time goes to the second list, and to the person who waits (common
// practice, the clinic sets them). What is not an emergency is counted in the
// clinic's hours; what is milder still is asked the next two mornings.
var untaken = map[care.Disposition][]time.Duration{
	care.Ambulance: {2 * time.Minute, 5 * time.Minute, 10 * time.Minute},
	care.Emergency: {10 * time.Minute, 20 * time.Minute, 40 * time.Minute},
	care.SameDay:   {1 * time.Hour, 2 * time.Hour, 4 * time.Hour},
}

// chase plans when staff are asked again about an item that nobody has. While
// an emergency is open its own item stands for all of them.
func (t *turn) chase(e *care.Escalation) {
	if e.State != care.StateOpen || e.Held || t.ep.Open && e.What != care.AboutDisposition {
		return
	}
	t.cancel(func(it care.Item) bool {
		return it.About == e.ID && (it.What == care.DoAskStaff || it.What == care.DoSecondList)
	})
	times := t.chases(e)
	for i, due := range times {
		it := care.Item{What: care.DoAskStaff, Due: due, Urgent: true, About: e.ID, Times: i + 1}
		if i == len(times)-1 {
			it.What = care.DoSecondList
		}
		t.plan(it)
	}
}

// stoodFor are the reminders of every item but an emergency's own.
func (t *turn) stoodFor(it care.Item) bool {
	if it.What != care.DoAskStaff && it.What != care.DoSecondList {
		return false
	}
	e := t.escalation(it.About)
	return e != nil && e.What != care.AboutDisposition // one of a talk before this one is no part of it
}

// chases are the moments at which staff are asked again.
func (t *turn) chases(e *care.Escalation) []time.Time {
	hours, d := t.hours(), e.Disposition
	if e.What == care.AboutUnsafe {
		d = max(d, care.SameDay)
	}
	if d < care.SameDay {
		first := hours.Morning(t.now)
		return []time.Time{first, t.awake(hours.Morning(first))}
	}
	var list []time.Time
	for _, after := range untaken[d] {
		if d >= care.Emergency {
			list = append(list, t.now.Add(after))
			continue
		}
		list = append(list, hours.After(t.now, after))
	}
	if d < care.Emergency {
		list[len(list)-1] = t.awake(list[len(list)-1])
	}
	return list
}

// awake moves the last step, which the person reads too, out of their night.
func (t *turn) awake(due time.Time) time.Time { return firstAllowed(due, t.zone, t.p.Follow.Night) }

// hours are the clinic's; where nobody gave any, the person's day.
func (t *turn) hours() care.Hours {
	if h := t.clinic(); h.Known() {
		return h
	}
	return care.Daily(t.zone, t.p.Follow.Night.To, t.p.Follow.Night.From)
}

// clinic are the hours of the clinic for whoever this is.
func (t *turn) clinic() care.Hours {
	if h, ok := t.f.set.HoursOf[t.ep.Server]; ok {
		return h
	}
	return t.f.set.Hours
}

// chasing items are between the clinic and its staff.
func chasing(what string) bool {
	return slices.Contains([]string{care.DoAskStaff, care.DoSecondList, care.DoFreeAgain}, what)
}

// askStaffAgain reminds staff of an item that nobody has.
func (t *turn) askStaffAgain(it care.Item) error {
	if e := t.escalation(it.About); e != nil && e.State == care.StateOpen {
		e.Asked++
		t.refreshCard(e)
	}
	return nil
}

// secondList tells the second list, and whoever waits for it that nobody has
// answered.
func (t *turn) secondList(it care.Item) error {
	e := t.escalation(it.About)
	if e == nil || e.State != care.StateOpen {
		return nil
	}
	e.SecondList = true
	e.Asked++
	t.refreshCard(e)
	waits := e.What == care.AboutDisposition || e.What == care.AboutHuman || e.What == care.AboutUnsafe
	if !waits || t.ep.Stopped || e.Bare { // who wants no more messages gets none; staff are still asked
		return nil
	}
	number, known := t.f.set.Numbers.Emergency(t.ep.Region)
	switch {
	case e.Disposition >= care.Emergency && known:
		t.unasked(sentence("nobody_answered", "number", number))
	case e.Disposition >= care.Emergency:
		t.unasked(sentence("nobody_answered.unknown"))
	default:
		t.behind(sentence("nobody_answered."+max(e.Disposition, care.Clinician).String()), t.inEmergency())
	}
	return nil
}

func (t *turn) inEmergency() care.Sentence {
	if number, ok := t.f.set.Numbers.Emergency(t.ep.Region); ok {
		return sentence("in_emergency", "number", number)
	}
	return sentence("in_emergency.unknown")
}

// freeAfter says after how long a taken item that is neither written on nor
// closed is free again (common practice, the clinic sets them).
var freeAfter = map[care.Disposition]time.Duration{
	care.Ambulance: 10 * time.Minute, care.Emergency: 30 * time.Minute, care.SameDay: 4 * time.Hour,
}

// freeAgain lets go an item that somebody took and left.
func (t *turn) freeAgain(it care.Item) error {
	if e := t.escalation(it.About); e != nil && e.State == care.StateTaken {
		t.release(e)
	}
	return nil
}

// release puts an item back: nobody has it.
func (t *turn) release(e *care.Escalation) {
	t.unchase(e)
	e.State, e.By, e.Role, e.At = care.StateOpen, "", "", t.now
	t.staffNote(e, "")
	t.chase(e)
}

// unchase takes back what was planned for an item nobody works on.
func (t *turn) unchase(e *care.Escalation) {
	t.cancel(func(it care.Item) bool { return it.About == e.ID && chasing(it.What) })
}

// watchedFor is how long after a staff member last did something somebody
// counts as there (common practice, no source).
const watchedFor = 30 * time.Minute

// watching tells truthfully whether anybody at the clinic is there: within its
// hours, after a press of a moment ago, and by name if somebody has the talk.
func (t *turn) watching() {
	there := !t.ev.Pressed.IsZero() && t.now.Sub(t.ev.Pressed).Abs() <= watchedFor && t.clinic().Open(t.now)
	has := slices.IndexFunc(t.ep.Escalations, func(e care.Escalation) bool { return e.State == care.StateTaken })
	switch {
	case !there:
		t.say("nobody_reads")
	case has >= 0:
		t.say("staff.has", "by", named(t.ep.Escalations[has].By, t.ep.Escalations[has].Role))
	default:
		t.say("staff_watch")
	}
}

// helpFirst puts the way to help before staff's own words while an emergency
// is open, however long those words have waited.
func (t *turn) helpFirst(lines []care.Sentence) []care.Sentence {
	says := slices.IndexFunc(lines, func(s care.Sentence) bool { return s.Key == "staff.says" })
	if says < 0 || !t.ep.Open || slices.ContainsFunc(lines[:says], func(s care.Sentence) bool { return s.Args["number"] != "" }) {
		return lines
	}
	first := sentence("help.first.unknown")
	if number, ok := t.f.set.Numbers.Emergency(t.ep.Region); ok {
		first = sentence("help.first", "number", number)
	}
	return slices.Insert(lines, 0, first)
}
