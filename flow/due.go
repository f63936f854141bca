package flow

import (
	"fmt"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// due does an item of the agenda whose time has come. One that is not there
// any more was done or taken back, and nothing happens.
func (t *turn) due(it care.Item) error {
	i := slices.IndexFunc(t.ep.Agenda, func(a care.Item) bool { return a.ID == it.ID })
	if i < 0 {
		return nil
	}
	it = t.ep.Agenda[i]
	t.ep.Agenda = slices.Delete(t.ep.Agenda, i, i+1)
	if at, waits := t.morning(it); waits {
		it.Due = at
		t.plan(it)
		return nil
	}
	switch it.What {
	case care.DoRepeat:
		return t.repeat(it)
	case care.DoNoReply:
		return t.noReply(it)
	case care.DoColdTimer:
		t.say("cold_timer.off")
		t.show()
		return nil
	case care.DoErase:
		return t.erase()
	case care.DoZone:
		t.ep.ZoneAsk = false // silence must not cost anybody their checks
		t.planChecks()
		return nil
	case care.DoUnreached:
		t.escalate(care.AboutUnreachable)
		return nil
	case care.DoUnfinished:
		t.ep.Unheard = true
		t.escalate(care.AboutNoReply)
		return nil
	case care.DoAskStaff:
		return t.askStaffAgain(it)
	case care.DoSecondList:
		return t.secondList(it)
	case care.DoFreeAgain:
		return t.freeAgain(it)
	}
	talk := t.p.Talks[it.What]
	if talk == nil {
		return fmt.Errorf("episode %s: item %s asks for the talk %q, which protocol %s does not have", t.ep.ID, it.ID, it.What, t.p.ID())
	}
	return t.ask(talk, it)
}

// ask begins a planned talk, neutrally: the question follows when the person
// is there.
func (t *turn) ask(talk *protocol.Talk, it care.Item) error {
	if t.ep.Open && talk.Kind != protocol.Seen || t.tooLate(talk, it) {
		t.note(care.Line{Type: care.LineDropped, ID: string(it.ID), What: it.What})
		return nil
	}
	line, read := t.ep.Aside, t.ep.Ask
	if err := t.begin(talk); err != nil {
		return err
	}
	if talk.Kind == protocol.Seen {
		t.ep.SeenAsked++
	}
	if line.What == care.AsideRead && t.now.Sub(line.At) < oneLine {
		t.ep.Aside, t.ep.Ask = care.Aside{What: care.AsideRead, At: line.At}, read
	} else {
		t.neutral("neutral")
	}
	t.planSilence(talk)
	return nil
}

// tooLate: a check whose successor is due as well has no purpose any more.
func (t *turn) tooLate(talk *protocol.Talk, it care.Item) bool {
	if talk.Kind != protocol.Check && talk.Kind != protocol.Last {
		return false
	}
	return slices.ContainsFunc(t.ep.Agenda, func(other care.Item) bool {
		later := t.p.Talks[other.What]
		return later != nil && (later.Kind == protocol.Check || later.Kind == protocol.Last) && !other.Due.After(t.now) && other.Due.After(it.Due)
	})
}

// oneLine is how long one neutral line stands for all that falls due (common
// practice, no source).
const oneLine = time.Minute

func (t *turn) neutral(key string) {
	t.ep.Aside = care.Aside{What: care.AsideRead, At: t.now} // an open doubt waits behind it
	t.say(key)
	t.show()
}

// planSilence plans what happens when nobody answers: one gentle repeat, or,
// where this was the repeat, word to staff.
func (t *turn) planSilence(talk *protocol.Talk) {
	if talk.Kind == protocol.Seen && t.ep.SeenAsked > 1 {
		t.planTalk(care.Item{What: care.DoNoReply, Due: t.now.Add(t.seenGap()), About: talk.Name})
		return
	}
	if talk.Kind == protocol.Seen && t.p.Follow.Seen[t.ep.Disposition].AnyHour {
		return // the second time is planned already, and is the repeat
	}
	due := t.byDay(t.now.Add(t.p.Follow.RepeatAfter))
	for _, it := range t.ep.Agenda {
		next := t.p.Talks[it.What]
		if next != nil && next.Kind == protocol.Check && it.Due.Sub(due) <= t.p.Follow.ReplacedWithin {
			return // the next check comes instead
		}
	}
	t.planTalk(care.Item{What: care.DoRepeat, Due: due, About: talk.Name})
}

// seenGap is the time between the first and the second "have you been seen?".
func (t *turn) seenGap() time.Duration {
	at := t.p.Follow.Seen[t.ep.Disposition]
	if len(at.At) > 1 {
		return at.At[1] - at.At[0]
	}
	return t.p.Follow.NoReplyAfter
}

func (t *turn) repeat(it care.Item) error {
	talk := t.p.Talks[it.About]
	if talk != nil && talk.Kind == protocol.Seen {
		return t.ask(talk, it)
	}
	t.planTalk(care.Item{What: care.DoNoReply, Due: t.now.Add(t.p.Follow.NoReplyAfter), About: it.About})
	t.neutral("neutral.again")
	return nil
}

// noReply: silence is never improvement. Staff are told; the last check
// closes with the list of reasons to come back.
func (t *turn) noReply(it care.Item) error {
	talk := t.p.Talks[it.About]
	if talk != nil && talk.Kind == protocol.Last {
		t.ep.Aside, t.ep.LastDone = care.Aside{}, true
		return t.rest("day_14.no_reply")
	}
	t.escalate(care.AboutNoReply)
	if talk != nil && talk.Final {
		t.planLast()
	}
	return nil
}

// reopen is what any message does when nothing is asked: danger first, then
// how it goes, then the offers. With an emergency open the card comes again
// and the question whether they have been seen.
func (t *turn) reopen() error {
	if t.ep.Open {
		t.again()
		if err := t.begin(t.p.kinds[protocol.Seen]); err != nil {
			return err
		}
		t.show()
		return nil
	}
	if len(t.ep.Rounds) > 0 && !t.ep.Rounds[0].Done {
		return t.startOver() // day 0 was left halfway: all of it is asked before anything else
	}
	talk := t.reopenTalk()
	if talk == nil {
		t.say("rest.hello")
		t.show()
		return nil
	}
	if err := t.begin(talk); err != nil {
		return err
	}
	t.show()
	return nil
}

// reopenTalk is the check that no plan names: it is there for any message.
func (t *turn) reopenTalk() *protocol.Talk {
	planned := append(t.checkNames(), t.p.Follow.NoneLeft.What, t.p.Follow.Last.What, t.p.Follow.OnceMore.What)
	for _, name := range t.p.TalkSeq {
		if talk := t.p.Talks[name]; talk.Kind == protocol.Check && !slices.Contains(planned, name) {
			return talk
		}
	}
	return nil
}
