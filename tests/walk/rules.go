package walk

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
	"turnstone/safety"
)

// The rules that every step is checked against.
const (
	CareAbove    = "home care or reassurance above home, or with an emergency open"
	CareUnasked  = "home care before every danger sign was asked and denied"
	ProtectOpen  = "protecting text with an emergency open"
	Harmful      = "advice that harms somebody with these answers"
	NotAsked     = "day 0 ended without a question that the answers ask for"
	Lowered      = "the disposition came down, and not by staff"
	Forgotten    = "an answer, a reason or an emergency was forgotten"
	CardFirst    = "the emergency card does not come first"
	Missed       = "a typed danger sign did not raise"
	MilderUnsure = "not sure, skipped or unreadable is milder than an answer"
	BelowFloor   = "the disposition is below what the answers ask for"
	Fails        = "the step fails"
	Silent       = "the person gets no answer"
	BadAsk       = "the open question does not fit the state"
	NotLeft      = "a question can't be left"
	DeadEnd      = "no way leads to the end"
	NoStaff      = "an open emergency is on nobody's list"
	Planned      = "a check or a timer goes on in an emergency"
	NotEqual     = "the key merges two episodes that go different ways"
)

// check holds one step against the rules.
func (w *World) check(before, after *care.Episode, a act, cfg *Config) []Violation {
	var broken []Violation
	fail := func(rule, format string, args ...any) {
		broken = append(broken, Violation{Rule: rule, Place: before.State, Text: a.label + ": " + fmt.Sprintf(format, args...)})
	}
	w.checkSaid(before, after, a, cfg, fail)
	w.checkKept(before, after, a, fail)
	w.checkSign(after, a, fail)
	w.checkAsk(before, after, a, fail)
	w.checkEmergency(before, after, fail)
	if !after.Erasing && !settledByStaff(after) {
		if floor, why := cfg.Contract.least(w.P, after); after.Disposition < floor {
			fail(BelowFloor, "%s, but %s asks for %s", after.Disposition, why, floor)
		}
	}
	if f, why := cfg.Contract.unasked(w.P, after); f != "" && !before.Rounds[0].Done {
		fail(NotAsked, "%s with %s", f, why)
	}
	return broken
}

type failure func(rule, format string, args ...any)

func (w *World) checkSaid(before, after *care.Episode, a act, cfg *Config, fail failure) {
	messages := said(after)
	if len(messages) == 0 && a.ev.Kind != care.FellDue && a.ev.Kind != care.StaffDid {
		fail(Silent, "nothing is said")
	}
	for _, m := range messages {
		for _, s := range m.Lines {
			class := w.class(s.Key)
			switch class {
			case care.ClassHomeCare, care.ClassReassure:
				if after.Disposition != care.Home || after.Open {
					fail(CareAbove, "%s at %s, open %t", s.Key, after.Disposition, after.Open)
				}
				if told := told(before, after); !settledByStaff(told) && !cfg.Contract.denied(w.P, told) {
					fail(CareUnasked, "%s", s.Key)
				}
			case care.ClassProtect:
				if after.Open {
					fail(ProtectOpen, "%s", s.Key)
				}
			}
			if why := cfg.Contract.harmful(w.P, after, s.Key); why != "" {
				fail(Harmful, "%s with %s", s.Key, why)
			}
			if err := safety.Gate(after, class); err != nil {
				fail(CareAbove, "the gate had to stop %s: %v", s.Key, err)
			}
			if err := safety.GateDisposition(after, s.Key); err != nil {
				fail(Lowered, "%v", err)
			}
		}
		if err := safety.GateCard(m); err != nil {
			fail(CardFirst, "%v", err)
		}
	}
}

// told is the episode with the answers: an erased one has none left.
func told(before, after *care.Episode) *care.Episode {
	if after.Erasing {
		return before
	}
	return after
}

// settledByStaff reports whether staff have lowered what the answers ask for.
func settledByStaff(ep *care.Episode) bool {
	return slices.ContainsFunc(ep.Reasons, func(r care.Reason) bool { return r.Settled })
}

// checkKept: what was once found stays, unless the record is erased.
func (w *World) checkKept(before, after *care.Episode, a act, fail failure) {
	if after.Disposition < before.Disposition && a.label != "staff:lower" {
		fail(Lowered, "%s from %s", after.Disposition, before.Disposition)
	}
	seen := w.P.Roles.Xray
	if before.Open && !after.Open && a.kind != staffActs && !strings.HasPrefix(before.State, talkOf(before.State)+"."+string(seen)) {
		fail(Forgotten, "the emergency was closed")
	}
	if after.Erasing {
		return
	}
	for _, r := range before.Reasons {
		if !slices.ContainsFunc(after.Reasons, func(x care.Reason) bool { return x.Row == r.Row && x.To == r.To }) {
			fail(Forgotten, "the reason %s", r.Row)
		}
	}
	w.checkAnswers(before, after, fail)
}

// checkAnswers: whatever was told and is asked for by a condition goes on
// counting, in whatever round it stands.
func (w *World) checkAnswers(before, after *care.Episode, fail failure) {
	l := wholeLens(w.P, after)
	for _, r := range before.Rounds {
		for _, h := range r.Facts {
			for _, v := range h.Values {
				if counts := w.known.telling[h.Fact] && v != care.No && (h.Fact != w.P.Roles.Xray || xray(v) != ""); counts && !l.holds(h.Fact, v) {
					fail(Forgotten, "the answer %s=%s", h.Fact, v)
				}
			}
		}
	}
}

// checkEmergency: staff have an open emergency on their list, and what was
// planned for quieter days is taken back when it opens.
func (w *World) checkEmergency(before, after *care.Episode, fail failure) {
	if !after.Open {
		return
	}
	if !slices.ContainsFunc(after.Escalations, func(e care.Escalation) bool {
		return e.What == care.AboutDisposition && !e.Held && e.State != care.StateClosed
	}) {
		fail(NoStaff, "%d items", len(after.Escalations))
	}
	for _, it := range after.Agenda {
		talk := w.P.Talks[it.What]
		if it.What == care.DoColdTimer || !before.Open && talk != nil && talk.Kind != protocol.Seen {
			fail(Planned, "%s", it.What)
		}
	}
}

// checkSign: a typed sign is taken at once, in every state; an ambulance's
// card stands before anything else.
func (w *World) checkSign(after *care.Episode, a act, fail failure) {
	if a.kind != signs {
		return
	}
	s := a.found.Sign
	switch s.Class() {
	case care.AmbulanceNow:
		if after.Disposition != care.Ambulance || !after.Open {
			fail(Missed, "%s, open %t", after.Disposition, after.Open)
		}
		if first := firstLine(after); !strings.HasPrefix(string(first), "card.") {
			fail(CardFirst, "%q comes first", first)
		}
	case care.Urgent:
		if after.Disposition < care.SameDay {
			fail(Missed, "%s", after.Disposition)
		}
	default:
		if !after.Sensitive {
			fail(Missed, "not safe, and the episode is not sensitive")
		}
	}
}

// firstLine is the first sentence of a step that is not the practice banner.
func firstLine(ep *care.Episode) care.SentenceKey {
	for _, m := range said(ep) {
		for _, s := range m.Lines {
			if s.Key != "practice" {
				return s.Key
			}
		}
	}
	return ""
}

// checkAsk: an asking state has its question open, any other has none, and
// stop and back do what they say.
func (w *World) checkAsk(before, after *care.Episode, a act, fail failure) {
	s, asking := w.known.at[after.State]
	switch {
	case after.Aside.What != "" || after.Doubt != "":
		if after.Ask == nil {
			fail(BadAsk, "nothing is open beside %s", after.State)
		}
	case asking && after.Ask == nil && !after.Closed:
		fail(BadAsk, "%s asks nothing", after.State)
	case asking && after.Ask != nil && !slices.Equal(after.Ask.Facts, s.talk.Screens[s.index].Facts):
		fail(BadAsk, "%s asks for %v", after.State, after.Ask.Facts)
	case !asking && after.Ask != nil:
		fail(BadAsk, "%s has a question open", after.State)
	}
	switch {
	case a.label == "!stop" && (after.Ask != nil && after.Doubt == "" || after.State != "rest" && !after.Closed):
		fail(NotLeft, "stop leads to %s", after.State)
	case a.label == "!back" && before.Open != after.Open:
		fail(NotLeft, "back changed the emergency")
	case a.label == "!back" && !before.Open && after.Doubt == "" && len(before.Trail) > 0 && after.State != before.Trail[len(before.Trail)-1]:
		fail(NotLeft, "back leads to %s, not to %s", after.State, before.Trail[len(before.Trail)-1])
	}
}

// doubtIsWorst: not sure, skip and unreadable lead to at least what the worst
// single answer leads to. Where a protocol says otherwise, it is listed here
// with its reason.
func (w *World) doubtIsWorst(n *node, list []outcome) []outcome {
	ask := n.ep.Ask
	if ask == nil || len(ask.Facts) == 0 || n.ep.Aside.What != "" || n.ep.Doubt != "" || mild(w, n.ep.State, ask) {
		return nil
	}
	var worst care.Disposition
	by := ""
	for _, o := range list {
		if o.kind != answers || o.value == care.Unsure || o.value == "skip" || strings.Contains(o.value, ",") {
			continue
		}
		to := o.after
		if ask.Kind == care.AnyOf { // not sure about a group is the worst of its single facts, and stands in no combination
			to = w.single(care.Fact(o.value))
		}
		if to > worst {
			worst, by = to, o.value
		}
	}
	var broken []outcome
	for _, o := range list {
		doubt := o.kind == answers && (o.value == care.Unsure || o.value == "skip") || o.kind == misread && o.moved
		if doubt && o.after < worst {
			broken = append(broken, outcome{act: act{label: o.label}, broken: []Violation{{
				Rule: MilderUnsure, Place: n.ep.State, Text: fmt.Sprintf("%s leads to %s, %s to %s", o.label, o.after, by, worst),
			}}})
		}
	}
	return broken
}

func (w *World) single(f care.Fact) care.Disposition {
	if fact := w.P.Facts[f]; fact != nil {
		return fact.To[care.Yes]
	}
	return 0
}

// mild lists the questions whose doubt is not the worst single answer:
// an age that can't be read is not a baby's; pain, swelling and walking that
// are unknown are kept as unknown and can never prove improvement; and how it
// goes overall is judged when a check ends, after danger was asked again.
func mild(w *World, state string, ask *care.Ask) bool {
	if len(ask.Facts) != 1 {
		return false
	}
	ro := w.P.Roles
	if t := w.P.Talks[talkOf(state)]; ask.Facts[0] == ro.Overall && t.Kind != protocol.First {
		return true
	}
	return slices.Contains([]care.Fact{ro.Age, ro.Walking, ro.Swelling, ro.Pain}, ask.Facts[0])
}
