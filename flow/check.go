package flow

import (
	"slices"
	"strconv"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// noPain stands for a pain that was not asked or is unknown.
const noPain = -1

// A Standing is how somebody is at one moment: what a check compares.
type Standing struct {
	Pain     int    // 0 to 10; noPain where unknown
	Walking  string // normal, limp, few_steps, none, or unsure
	Swelling string // none, some, large, or unsure
	Overall  string // better, same, worse, or unsure
	Steps    string // yes, no, unsure, or empty where not asked
	Asked    bool   // the pain was asked
	At       time.Time
}

// A Comparison is a check beside what came before it.
type Comparison struct {
	Entry, Before, Now Standing // Before is the last check, or the entry
	SinceInjury        time.Duration
	Check              string
	Judged             bool // enough time lies between the entry and now
	FreeSwelling       bool // swelling is not judged: the entry was early
	Clear              bool // X-rayed, and no fracture seen
}

var (
	walkingOrder  = []string{"normal", "limp", "few_steps", "none"}
	swellingOrder = []string{"none", "some", "large"}
)

// rank places a value in its order; an unknown one goes where unknown says.
func rank(order []string, v string, unknown int) int {
	if i := slices.Index(order, v); i >= 0 {
		return i
	}
	return unknown
}

func (t *turn) standing(r care.Round) Standing {
	ro := t.p.Roles
	s := Standing{
		Pain: noPain, At: r.At,
		Walking: r.Facts.Get(ro.Walking).Latest(), Swelling: r.Facts.Get(ro.Swelling).Latest(),
		Overall: r.Facts.Get(ro.Overall).Latest(), Steps: r.Facts.Get(ro.Steps).Latest(),
	}
	if h := r.Facts.Get(ro.Pain); h != nil {
		s.Asked, s.At = true, h.At
		if n, err := strconv.Atoi(h.Latest()); err == nil {
			s.Pain = n
		}
	}
	return s
}

// checkNow compares the running round with the entry and the last check.
func (t *turn) checkNow() Comparison {
	last := t.ep.Round
	c := Comparison{Entry: t.standing(t.ep.Rounds[0]), Now: t.standing(t.ep.Rounds[last]), Check: t.ep.Rounds[last].Talk}
	c.Before = c.Entry
	for i := 1; i < last; i++ {
		if s := t.standing(t.ep.Rounds[i]); t.ep.Rounds[i].Done && s.Asked {
			c.Before = s
		}
	}
	c.SinceInjury = t.now.Sub(t.ep.InjuredAt)
	c.Judged = t.now.Sub(c.Entry.At) >= t.p.Follow.BaselineAtLeast
	free := t.p.Follow.SwellingFree
	c.FreeSwelling = c.Check == free.What && c.Entry.At.Sub(t.ep.InjuredAt) < free.EntryUnder
	c.Clear = t.view().latest(t.p.Roles.Xray) == "no_fracture"
	return c
}

// now is the pain of this check; unknown counts as the worst.
func (c Comparison) now() int {
	if c.Now.Pain == noPain {
		return 10
	}
	return c.Now.Pain
}

// rise reports whether pain went up by at least n since an earlier standing.
// An unknown earlier pain proves nothing.
func (c Comparison) rise(from Standing, n int) bool {
	return c.Now.Asked && from.Pain != noPain && c.now()-from.Pain >= n
}

func (c Comparison) worse(rows protocol.CheckRows) bool {
	return c.Now.Overall == "worse" || c.Now.Overall == care.Unsure || c.rise(c.Entry, rows.WorseBy) || c.rise(c.Before, rows.WorseBy)
}

// Improved is the exact rule: not worse overall, in walking or in swelling,
// and a fall in pain that counts, or walking or swelling that is better.
func (c Comparison) Improved(rows protocol.CheckRows) bool {
	walk, entryWalk := rank(walkingOrder, c.Now.Walking, 3), rank(walkingOrder, c.Entry.Walking, 0)
	swell, before := rank(swellingOrder, c.Now.Swelling, 2), rank(swellingOrder, c.Before.Swelling, 0)
	if c.Now.Overall == "worse" || c.Now.Overall == care.Unsure || walk > entryWalk || swell > before && !c.FreeSwelling {
		return false
	}
	walksBetter := walk < entryWalk || walk == 0
	if c.Entry.Pain == noPain || c.Entry.Pain < rows.EntryFrom {
		return walksBetter || swell < before
	}
	fall := c.Entry.Pain - c.now()
	return fall >= rows.Points || 100*fall >= rows.Share*c.Entry.Pain || c.Now.Overall == "better" && walksBetter
}

// A finding is what one row of a check gives.
type finding struct {
	row   string
	to    care.Disposition
	names []string
}

// findings are rows b to e.
func (t *turn) findings(c Comparison, judge bool) []finding {
	var list []finding
	rows, ro := t.p.Check, t.p.Roles
	if (c.Now.Steps == care.No || c.Now.Steps == care.Unsure) && c.SinceInjury >= rows.StepsFrom {
		to := rows.StepsTo
		if c.Clear {
			to = rows.StepsToWhenClear
		}
		list = append(list, finding{"steps", to, []string{string(ro.Steps)}})
	}
	var worse []string
	if c.rise(c.Entry, rows.WorseBy) || c.rise(c.Before, rows.WorseBy) {
		worse = append(worse, string(ro.Pain))
	}
	if c.Now.Overall == "worse" || c.Now.Overall == care.Unsure {
		worse = append(worse, string(ro.Overall))
	}
	if len(worse) > 0 {
		list = append(list, finding{"worse", rows.WorseTo, worse})
	}
	if c.Now.Asked && c.now() >= rows.StillStrongFrom && rows.StillStrongFrom > 0 {
		list = append(list, finding{"strong", rows.StillStrongTo, []string{string(ro.Pain)}})
	}
	if judge && c.Now.Asked && c.Judged && !c.Improved(rows) {
		list = append(list, finding{"not_improved", rows.NotImproved, []string{NotImproved}})
	}
	return list
}

// Reasons that are no single fact.
const (
	NotImproved = "not_improved"
	NotFinished = "not_finished"
)

func (t *turn) closeCheck(talk *protocol.Talk) error {
	t.round().Done = true
	t.leftHalfway()
	c := t.checkNow()
	found := t.findings(c, talk.Judge)
	for _, f := range found {
		t.raiseAnew(care.Reason{Row: t.round().Key + "/check/" + f.row, To: f.to, Names: f.names})
	}
	again := t.fresh >= care.Clinician && t.fresh == t.ep.Disposition
	t.reportedAtEnd()
	if again {
		t.found()
	}
	if talk.Final {
		t.endOfChecks(c, found)
	}
	if again {
		return t.advise(talk)
	}
	return t.checked(talk, c, found)
}

// endOfChecks plans the last check, or this one once more where the entry was
// too short ago to judge; somebody not better by now is to be called back.
func (t *turn) endOfChecks(c Comparison, found []finding) {
	if t.p.Follow.OnceMore.What != "" && c.Now.Asked && !c.Judged {
		t.planTalk(care.Item{What: t.p.Follow.OnceMore.What, Due: t.byDay(t.now.Add(t.p.Follow.OnceMore.After))})
		return
	}
	if slices.ContainsFunc(found, func(f finding) bool { return f.row == "not_improved" }) {
		t.escalate(care.AboutCallBack)
	}
	t.planLast()
}

// checked says how a check without a new finding went.
func (t *turn) checked(talk *protocol.Talk, c Comparison, found []finding) error {
	switch {
	case !talk.Judge:
		return t.offerAgain(talk)
	case !c.Now.Asked:
		return t.rest("check.danger_only")
	case len(found) > 0 && t.disposition() >= care.Emergency: // it was closed, and is no emergency again
		return t.rest("check.seen_again")
	case len(found) > 0:
		t.say("check.same")
		return t.advise(talk)
	case !c.Judged:
		return t.rest("check.not_judged")
	case t.disposition() > care.Home:
		return t.rest("check.better_protect")
	case talk.Final:
		return t.rest("check.better_3")
	default:
		return t.rest("check.better_2")
	}
}

func (t *turn) offerAgain(talk *protocol.Talk) error {
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

func (t *turn) closeLast(talk *protocol.Talk) error {
	t.round().Done = true
	t.ep.LastDone = true
	t.leftHalfway()
	for _, f := range t.findings(t.checkNow(), false) {
		t.raiseAnew(care.Reason{Row: t.round().Key + "/check/" + f.row, To: f.to, Names: f.names})
	}
	again := t.fresh >= care.Clinician && t.fresh == t.ep.Disposition
	t.reportedAtEnd()
	if !again {
		return t.rest("day_14.done")
	}
	t.found()
	return t.advise(talk)
}

// found tells staff of what a check found. "Have you been seen?" is planned
// for a raise, and where nothing asks it any more.
func (t *turn) found() {
	raised := t.ep.Disposition > t.before
	t.rosen = t.ep.Disposition
	t.escalate(care.AboutDisposition)
	if raised || !t.has(t.p.kinds[protocol.Seen].Name) {
		t.planSeen()
	}
}
