package flow

import (
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// retired says goodbye to somebody who still waits for something, since the
// program ends for good: what is planned is taken back, and they are told
// whom to turn to. The first line is neutral.
func (t *turn) retired() error {
	if t.ep.Closed || !t.busy() && t.ep.Ask == nil {
		return nil
	}
	t.cancel(func(it care.Item) bool { return it.What != care.DoErase })
	t.ep.Aside, t.ep.Behind, t.ep.Doubt, t.ep.Ask, t.ep.Stopped = care.Aside{}, nil, "", nil, true
	t.say("retired")
	switch {
	case t.ep.Sensitive: // others may read it
	case t.ep.Open:
		t.again()
	default:
		t.numbered("retired.then")
	}
	return t.rest("")
}

// wasAway tells somebody who was in the middle of a talk that the program did
// not answer for a while, the emergency number first, and asks again.
func (t *turn) wasAway() error {
	switch {
	case t.ep.Closed || t.ep.Stopped || t.ep.Ask == nil:
		return nil
	case t.ep.Sensitive || t.ep.Aside.What == care.AsideRead:
		return nil // what waits behind the neutral line is still there
	case t.ep.Open:
		t.again()
	}
	t.numbered("away")
	t.show()
	return nil
}

// numbered says a sentence that has the emergency number of the region, or
// its form without one.
func (t *turn) numbered(key string) {
	if number, ok := t.f.set.Numbers.Emergency(t.ep.Region); ok {
		t.say(key, "number", number)
		return
	}
	t.say(key + ".unknown")
}

// morning is when an item may be done that falls due late, after the program
// was away: what may not be asked at night waits for the morning.
func (t *turn) morning(it care.Item) (time.Time, bool) {
	about := it.What
	if it.What == care.DoRepeat {
		about = it.About
	}
	talk := t.p.Talks[about]
	if talk == nil || talk.Kind == protocol.DangerAsk || t.tooLate(talk, it) || talk.Kind == protocol.Seen && t.p.Follow.Seen[t.ep.Disposition].AnyHour {
		return t.now, false
	}
	day := t.byDay(t.now)
	return day, day.After(t.now)
}
