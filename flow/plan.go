package flow

import (
	"slices"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// firstAllowed moves due out of the person's night, to the first instant that
// is not night, but never by more than the longest wait. It walks from one
// offset of the zone to the next, so that a clock change in the night, or a
// day that a zone left out, is right.
func firstAllowed(due time.Time, zone *time.Location, n protocol.Night) time.Time {
	at := due
	for at.Sub(due) < n.Longest {
		local := at.In(zone)
		clock := sinceMidnight(local)
		if !night(clock, n) {
			return at
		}
		wait := n.To - clock
		if wait <= 0 {
			wait += 24 * time.Hour
		}
		morning := at.Add(wait)
		if _, change := local.ZoneBounds(); !change.IsZero() && change.Before(morning) {
			morning = change // the clocks change before morning comes
		}
		at = morning
	}
	return due.Add(n.Longest)
}

func night(clock time.Duration, n protocol.Night) bool {
	if n.From > n.To {
		return clock >= n.From || clock < n.To
	}
	return clock >= n.From && clock < n.To
}

func sinceMidnight(local time.Time) time.Duration {
	h, m, s := local.Clock()
	return time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second + time.Duration(local.Nanosecond())
}

// safeHours are the times of day that somebody in danger may choose.
var safeHours = map[string]protocol.Night{
	"morning":   {From: 12 * time.Hour, To: 8 * time.Hour, Longest: 24 * time.Hour},
	"afternoon": {From: 17 * time.Hour, To: 12 * time.Hour, Longest: 24 * time.Hour},
	"evening":   {From: 21 * time.Hour, To: 17 * time.Hour, Longest: 24 * time.Hour},
}

// byDay moves a check out of the night, and into the chosen hours of somebody
// who is not safe.
func (t *turn) byDay(due time.Time) time.Time {
	due = firstAllowed(due, t.zone, t.p.Follow.Night)
	if hours, ok := safeHours[t.view().latest(t.p.Roles.SafeTime)]; ok && t.ep.Sensitive {
		due = firstAllowed(due, t.zone, hours)
	}
	return due
}

// mayAsk reports whether anything may be planned: consent, and for somebody
// who is not safe a chosen time.
func (t *turn) mayAsk() bool {
	if t.ep.Sensitive {
		c := t.view().latest(t.p.Roles.SafeTime)
		return t.consent() == care.Yes && c != "" && c != "never" && c != care.Unsure
	}
	return t.consent() == care.Yes && !t.ep.Stopped
}

func (t *turn) checkNames() []string {
	var names []string
	for _, d := range t.p.Follow.Checks {
		names = append(names, d.What)
	}
	return names
}

// planChecks plans the checks from the moment of the injury, once consent and
// that moment are known. One that would come too soon after now is left out;
// if none is left, one comes a while after now.
func (t *turn) planChecks() {
	if t.ep.InjuredAt.IsZero() || !t.mayAsk() || t.ep.Open {
		return
	}
	if t.ep.ZoneAsk { // first the person says what time it is there
		t.quietly(care.DoZone, t.now.Add(zoneWait), true)
		return
	}
	t.quietly(care.DoZone, t.now, false)
	t.cancelWhat(t.checkNames()...)
	planned := t.has(t.p.Follow.Last.What)
	for _, d := range t.p.Follow.Checks {
		due := t.byDay(t.ep.InjuredAt.Add(d.After))
		if due.Sub(t.now) >= t.p.Follow.LeastAfterTalk && !t.done(d.What) {
			t.planTalk(care.Item{What: d.What, Due: due})
			planned = true
		}
	}
	if d := t.p.Follow.NoneLeft; !planned && !t.ep.LastDone {
		t.planTalk(care.Item{What: d.What, Due: t.byDay(t.now.Add(d.After))})
	}
}

// planTalk plans something that will be asked unasked: with consent, and to
// somebody who is not safe only at a chosen time. An open emergency is asked
// about also without consent.
func (t *turn) planTalk(it care.Item) {
	seen := t.p.kinds[protocol.Seen].Name
	if about := it.What == seen || it.About == seen; t.mayAsk() || about && t.ep.Open && !t.ep.Sensitive {
		t.plan(it)
	}
}

// done reports whether a check was answered to its end.
func (t *turn) done(what string) bool {
	return slices.ContainsFunc(t.ep.Rounds, func(r care.Round) bool { return r.Talk == what && r.Done })
}

// planSeen plans "have you been seen?" for the disposition in force.
func (t *turn) planSeen() {
	d := t.ep.Disposition
	what := t.p.kinds[protocol.Seen].Name
	t.cancelWhat(what)
	t.ep.SeenAsked = 0
	at := t.p.Follow.Seen[d]
	for i, after := range at.At {
		due := t.now.Add(after)
		if !at.AnyHour {
			due = t.byDay(due)
		}
		t.planTalk(care.Item{What: what, Due: due, Urgent: at.AnyHour, Times: i})
	}
}

// planLast plans the last check, two weeks after the injury.
func (t *turn) planLast() {
	d := t.p.Follow.Last
	if d.What == "" || t.has(d.What) {
		return
	}
	due := t.byDay(t.ep.InjuredAt.Add(d.After))
	if due.Sub(t.now) < t.p.Follow.LeastAfterTalk {
		due = t.byDay(t.now.Add(t.p.Follow.NoneLeft.After))
	}
	t.planTalk(care.Item{What: d.What, Due: due})
}

// rose follows a raise below emergency: the log, staff, and the question
// whether they were seen. Where nothing was raised it does nothing.
func (t *turn) rose() {
	if t.ep.Disposition <= max(t.before, care.Home) || t.ep.Disposition == t.rosen {
		return
	}
	t.rosen = t.ep.Disposition
	t.reported()
	t.escalate(care.AboutDisposition)
	t.planSeen()
	if t.has(care.DoColdTimer) { // cold is for home; it comes off now
		t.cancelWhat(care.DoColdTimer)
		t.say("cold_timer.off")
	}
}
