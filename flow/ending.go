package flow

import (
	"slices"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// close ends a talk that has no more screens.
func (t *turn) close(talk *protocol.Talk) error {
	switch talk.Kind {
	case protocol.First:
		return t.closeFirst(talk)
	case protocol.Emergent:
		return t.rode()
	case protocol.Check:
		return t.closeCheck(talk)
	case protocol.Last:
		return t.closeLast(talk)
	case protocol.DangerAsk:
		return t.closeDanger()
	case protocol.Seen:
		return t.closeSeen()
	case protocol.UnsafeAsk:
		return t.madeSafe()
	case protocol.Crutches:
		return t.closeCrutches()
	default:
		return t.rest(t.farewell())
	}
}

// closeDanger ends a danger check. An open emergency is not closed by it, and
// day 0, if it was left for it, is not finished.
func (t *turn) closeDanger() error {
	t.round().Done = true
	if t.ep.Open {
		t.again()
		return t.rest("")
	}
	half := t.leftHalfway()
	t.rose()
	if half {
		return t.advise(t.p.kinds[protocol.First])
	}
	return t.rest("danger_check.clear")
}

// farewell says what comes now that nothing is asked.
func (t *turn) farewell() string {
	switch {
	case slices.ContainsFunc(t.ep.Agenda, func(it care.Item) bool { return t.p.Talks[it.What] != nil }):
		return "rest.checks"
	case t.disposition() > care.Home:
		return "rest.no_checks.seen"
	default:
		return "rest.no_checks"
	}
}

// closeFirst ends day 0: where to go, why, and what the check cannot do.
func (t *turn) closeFirst(talk *protocol.Talk) error {
	t.ep.Rounds[0].Done = true
	if t.ep.Disposition == 0 {
		t.ep.Disposition = care.Home
	}
	t.rose()
	if !t.reportedNow || t.ep.Disposition > care.Home {
		t.reportedAtEnd()
	}
	t.refresh(care.AboutDisposition)
	return t.advise(talk)
}

// reportedAtEnd writes the disposition once, with its full reasons, when a
// talk ends; a line of this turn without them gives way.
func (t *turn) reportedAtEnd() {
	for i, l := range t.log {
		if l.Type == care.LineDisposition {
			t.log = append(t.log[:i:i], t.log[i+1:]...)
			break
		}
	}
	t.reported()
}

// advise says where to go and begins the talk that belongs to it.
func (t *turn) advise(talk *protocol.Talk) error {
	t.verdict()
	t.send(nil, "", t.answering())
	next := then(talk, t.disposition())
	if next == protocol.Rest {
		return t.rest(t.farewell())
	}
	if err := t.begin(t.p.Talks[next]); err != nil {
		return err
	}
	t.show()
	return nil
}

// adviseLater leaves what staff have changed to be read when the person is
// there: their word, and then the advice that is in force by then.
func (t *turn) adviseLater(lines ...care.Sentence) {
	before := t.ep.Aside.What
	t.behind(lines...)
	if before != care.AsideRead && t.ep.Aside.What == care.AsideRead { // a follow-up that waits comes to its own advice
		t.ep.Aside.About = care.AboutAdvice
	}
}

// verdict says the disposition in the first line, then what to do, then why,
// then what this check cannot do.
func (t *turn) verdict() {
	d := t.disposition()
	t.ep.Told = max(t.ep.Told, d)
	t.say("disposition." + d.String())
	switch {
	case t.lowered:
		t.say("staff.lowered", "by", named(t.ev.Staff.By, t.ev.Staff.Role))
	case d == care.Home:
		t.say("home.first")
	default:
		t.series()
	}
	t.why()
	t.say("limits")
	t.watching()
}

// why names the very answers that led here.
func (t *turn) why() {
	names := t.because()
	if len(names) == 0 {
		return
	}
	t.say("because.head")
	for _, n := range names {
		key := "because.told"
		if t.doubted(n) {
			key = "because.unsure"
		}
		t.say(key, "reason", t.reasonKey(n))
	}
}

// doubted reports whether the reason was a not-sure answer.
func (t *turn) doubted(name string) bool {
	for _, r := range t.ep.Reasons {
		if !r.Settled && r.To == t.ep.Disposition && r.Doubt && len(r.Names) == 1 && r.Names[0] == name {
			return true
		}
	}
	return false
}

// reasonKey is the sentence for a reason: one for the very answer, where there
// is one, or for the fact, or for a sign. An argument that begins with @ is
// itself a sentence.
func (t *turn) reasonKey(name string) string {
	keys := []string{}
	for _, v := range strings.Split(t.view().latest(care.Fact(name)), ",") {
		keys = append(keys, "reason."+name+"."+v)
	}
	keys = append(keys, "reason."+name, "reason.sign."+name)
	for _, k := range keys {
		if t.f.set.Book.Has(care.SentenceKey(k)) {
			return "@" + k
		}
	}
	return "@reason.answer"
}

// series says which X-ray pictures to ask for, and what goes with a finding.
func (t *turn) series() {
	holds := func(name string) bool {
		c, there := t.p.Series[name]
		if !there {
			return false
		}
		ok, _ := c.Holds(t.p.Protocol, t.viewOf(0))
		return ok
	}
	ankle, foot := holds("ankle"), holds("foot")
	switch {
	case len(t.p.Series) == 0:
	case holds("both"), ankle == foot:
		t.say("series.both")
	case ankle:
		t.say("series.ankle")
	default:
		t.say("series.foot")
	}
	for _, more := range []string{"shin", "standing", "toes_down"} {
		if holds(more) {
			t.say("series." + more)
		}
	}
}

// refresh puts the newest reasons on an item that staff already have.
func (t *turn) refresh(what string) {
	for i := range t.ep.Escalations {
		e := &t.ep.Escalations[i]
		if e.What != what || e.State == care.StateClosed {
			continue
		}
		e.Disposition, e.Because = t.disposition(), t.because()
		if !e.Held && !t.raising(e.ID) {
			t.ep.Agenda = append(t.ep.Agenda, care.Item{ID: care.ItemID(t.next()), What: care.DoRaise, Due: t.now, Urgent: true, About: e.ID})
		}
	}
}

func (t *turn) raising(id string) bool {
	for _, it := range t.ep.Agenda {
		if it.What == care.DoRaise && it.About == id {
			return true
		}
	}
	return false
}

// getAdult ends the talk of a child who is alone: an adult must be there, and
// nothing is kept.
func (t *turn) getAdult() error {
	t.reportedAtEnd()
	t.say("disposition." + t.disposition().String())
	t.say("get_adult")
	return t.erase()
}

// erase forgets everything. What was just said still goes out, and an open
// emergency leaves one bare item without age or words, which staff are still
// asked about; then the record goes.
func (t *turn) erase() error {
	open := t.ep.Open
	t.cancel(func(it care.Item) bool { return !open || it.What != care.DoAskStaff && it.What != care.DoSecondList })
	t.send(nil, "", t.answering())
	keep := care.Episode{
		ID: t.ep.ID, Protocol: t.ep.Protocol, Locale: t.ep.Locale, Zone: t.ep.Zone, Region: t.ep.Region, Opened: t.ep.Opened, LastHeard: t.ep.LastHeard,
		State: StateClosed, Closed: true, Erasing: true, Seq: t.ep.Seq, Disposition: t.ep.Disposition, Open: t.ep.Open, Other: t.ep.Other, Beside: t.ep.Beside,
	}
	for _, it := range t.ep.Agenda {
		if it.What == care.DoSay || it.What == care.DoAskStaff || it.What == care.DoSecondList {
			keep.Agenda = append(keep.Agenda, it)
		}
	}
	keep.Escalations = t.bare()
	for _, e := range keep.Escalations {
		keep.Agenda = append(keep.Agenda, care.Item{
			ID: care.ItemID(string(t.ep.ID) + "-bare-" + e.ID), What: care.DoRaise, Due: t.now, Urgent: true, About: e.ID,
		})
	}
	t.ep = keep
	return nil
}

// bare is what is left of the staff items: the open emergency's with its
// danger facts and nothing else; the others are taken off the staff list.
func (t *turn) bare() []care.Escalation {
	var left []care.Escalation
	for _, e := range t.ep.Escalations {
		if e.Held {
			continue // it never went out
		}
		bare := care.Escalation{
			ID: e.ID, What: e.What, Disposition: e.Disposition, Sensitive: e.Sensitive, Since: e.Since, State: e.State, By: e.By, Bare: true,
		}
		if !e.Bare && (!t.ep.Open || e.What != care.AboutDisposition) {
			bare.State = care.StateClosed
		}
		for _, n := range e.Because {
			if f := t.p.Facts[care.Fact(n)]; f != nil && f.Danger || t.p.Signs[care.Sign(n)] != nil {
				bare.Because = append(bare.Because, n)
			}
		}
		left = append(left, bare)
	}
	return left
}

// finish is the last thing in every turn: a talk without consent is forgotten
// when it ends, or a day after the last word; an episode closes when nothing
// is left to do.
func (t *turn) finish() error {
	if t.ep.Erasing || t.ep.State == StateNew {
		return nil
	}
	resting := t.ep.State == StateRest && t.ep.Aside.What == ""
	consent := t.consent()
	if consent == care.No && resting && !t.ep.Open {
		return t.erase()
	}
	keep := t.p.Follow.KeepNoConsent
	if consent == care.Yes {
		keep = t.p.Follow.Keep
	}
	t.quietly(care.DoErase, t.ep.LastHeard.Add(keep), consent != care.Yes || !t.ep.Open)
	t.quietly(care.DoUnfinished, t.ep.LastHeard.Add(t.p.Follow.RepeatAfter+t.p.Follow.NoReplyAfter), t.halfway())
	if t.ep.LastDone && resting && !t.ep.Open && !t.busy() {
		t.ep.Closed = true
		return t.move(evClose)
	}
	return nil
}

// busy reports whether something planned is still to do with the person.
func (t *turn) busy() bool {
	return slices.ContainsFunc(t.ep.Agenda, func(it care.Item) bool {
		do := it.What
		return do != care.DoSay && do != care.DoRaise && do != care.DoUnfinished && do != care.DoErase && do != care.DoZone && !chasing(do)
	})
}

// halfway reports whether somebody began to answer a check and has not come
// to its end: that is silence too.
func (t *turn) halfway() bool {
	pl, asking := t.place()
	began := asking && ownRound(pl.talk.Kind) && pl.talk.Kind != protocol.First && t.ep.Aside.What != care.AsideRead
	return (began || t.ep.Doubt != "") && !t.ep.Unheard && (t.ep.Open || t.mayAsk())
}

// quietly keeps one item of a kind on the agenda, moved along with the last
// word, or takes it off. It is no plan that the person is told of.
func (t *turn) quietly(what string, due time.Time, wanted bool) {
	i := slices.IndexFunc(t.ep.Agenda, func(it care.Item) bool { return it.What == what })
	switch {
	case i >= 0 && wanted:
		t.ep.Agenda[i].Due = due
	case i >= 0:
		t.ep.Agenda = slices.Delete(t.ep.Agenda, i, i+1)
	case wanted:
		t.ep.Agenda = append(t.ep.Agenda, care.Item{ID: care.ItemID(t.next()), What: what, Due: due})
	}
}
