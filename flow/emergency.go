package flow

import (
	"slices"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// sign takes a danger sign that was typed. What the screen calls an
// ambulance is one, also where the button for the same sign leads to less.
func (t *turn) sign(s care.Sign) error {
	t.ep.Aside, t.ep.Doubt = care.Aside{}, ""
	t.note(care.Line{Type: care.LineSign, What: string(s)})
	own := t.p.Signs[s]
	if own != nil && own.Talk != "" {
		return t.unsafe(own.Talk)
	}
	if own != nil && own.Private {
		t.ep.Sensitive = true
	}
	r := t.signReason(s)
	t.toldNow(r.Names[0], string(s))
	t.raise(r)
	t.judge()
	if r.To >= care.Emergency || t.ep.Open {
		return t.emergency()
	}
	return t.typedRaise()
}

// signReason is what a typed sign asks for: its fact's own disposition, at
// least to be seen today, and an ambulance where the screen says so.
func (t *turn) signReason(s care.Sign) care.Reason {
	r := care.Reason{Row: "sign/" + string(s), To: care.SameDay, Names: []string{string(s)}, Sensitive: s.Sensitive()}
	if f, ok := t.p.BySign[s]; ok {
		fact := t.p.Facts[f]
		r.Names = []string{string(f)}
		t.store(f, fact.Bad(), false)
		r.To = max(fact.To[fact.Bad()], r.To)
	} else if own := t.p.Signs[s]; own != nil {
		r.To = max(own.To, r.To)
	}
	if s.Class() == care.AmbulanceNow {
		r.To = care.Ambulance
	}
	return r
}

// typedRaise goes on after a raise below emergency: the question is asked
// again, except where advice was under way or nothing was asked.
func (t *turn) typedRaise() error {
	t.rose()
	pl, asking := t.place()
	if asking && (pl.talk.Kind == protocol.First || ownRound(pl.talk.Kind)) {
		t.show()
		return nil
	}
	if t.waits() {
		t.adviseLater()
		return nil
	}
	return t.advise(t.p.kinds[protocol.First])
}

// emergency ends the questions: the card first, staff at the same time, and
// then one question, whether somebody can take them. What staff do about it
// goes on; everything else that was planned is taken back.
func (t *turn) emergency() error {
	t.carded, t.shown = true, false // what a talk said on closing gives way
	t.dropUnsent()
	t.ep.Behind = slices.DeleteFunc(slices.Clone(t.ep.Behind), func(s care.Sentence) bool { return s.Key == "staff.lowered" })
	t.cancel(func(it care.Item) bool {
		return !protected(it.What) && it.What != t.p.kinds[protocol.Seen].Name || t.stoodFor(it)
	})
	if !t.reportedNow {
		t.reported()
	}
	t.escalate(care.AboutDisposition)
	if t.ep.Disposition > t.before || !t.has(t.p.kinds[protocol.Seen].Name) {
		t.planSeen()
	}
	t.ep.Told, t.ep.Tries, t.ep.Aside, t.ep.Doubt = t.ep.Disposition, 0, care.Aside{}, ""
	t.again()
	if t.ep.RideKnown {
		return t.rest("card.again")
	}
	if err := t.move(evDanger); err != nil {
		return err
	}
	t.ep.Trail, t.ep.Retaken = nil, ""
	t.show()
	return nil
}

// protected items go on in an emergency: staff are still asked, and what was
// said without consent is still forgotten.
func protected(what string) bool {
	return what == care.DoErase || chasing(what)
}

// dropUnsent takes back messages that wait on the agenda: what was advice a
// moment ago is not any more.
func (t *turn) dropUnsent() {
	t.ep.Agenda = slices.DeleteFunc(t.ep.Agenda, func(it care.Item) bool {
		if it.What != care.DoSay {
			return false
		}
		t.note(care.Line{Type: care.LineDropped, ID: string(it.ID), What: it.What})
		return true
	})
}

// again is the card, with what to do until help is there.
func (t *turn) again() {
	t.card()
	t.firstAid()
}

// card says what to do now: the number of the region first. Where the region
// is unknown the known numbers stand with their places, never a guess.
func (t *turn) card() {
	number, known := t.f.set.Numbers.Emergency(t.ep.Region)
	ambulance := t.disposition() >= care.Ambulance
	switch {
	case ambulance && known:
		t.say("card.number", "number", number)
	case ambulance:
		t.say("card.list")
		t.places()
	case known:
		t.say("card.go", "number", number)
	default:
		t.say("card.go_unknown")
		t.places()
	}
	if known && t.ep.Elsewhere {
		t.say("card.elsewhere")
	}
	if t.crisis() {
		t.crisisLine(number)
	}
	t.say("card.no_write")
}

// places lists the known numbers with where they hold.
func (t *turn) places() { t.lines = append(t.lines, t.f.set.Numbers.Places()...) }

func (t *turn) crisisLine(number string) {
	switch line, ok := t.f.set.Numbers.Crisis(t.ep.Region); {
	case ok:
		t.say("card.crisis", "number", line)
	case number != "":
		t.say("card.no_crisis", "number", number)
	default:
		t.say("card.no_crisis_unknown")
	}
}

func (t *turn) crisis() bool {
	return slices.ContainsFunc(t.because(), func(n string) bool {
		s := t.p.Signs[care.Sign(n)]
		return s != nil && s.Crisis
	})
}

// firstAid says what to do until help is there, one instruction a line, for
// every emergency that was told.
func (t *turn) firstAid() {
	var names []string
	for _, r := range t.ep.Reasons {
		if !r.Settled && r.To >= care.Emergency {
			names = append(names, r.Names...)
		}
	}
	said := map[string]bool{}
	for _, n := range t.p.sorted(names) {
		for _, key := range []string{"firstaid." + n, "firstaid.sign." + n} {
			if !said[key] && t.f.set.Book.Has(care.SentenceKey(key)) {
				said[key] = true
				t.say(key)
			}
		}
	}
}

// rode closes the one question of an emergency. That nobody can drive has
// raised it already; here somebody can.
func (t *turn) rode() error {
	t.ep.RideKnown = true
	if t.disposition() < care.Ambulance {
		return t.rest("card.go_now")
	}
	return t.rest("card.wait")
}

// rest says a last sentence and stops asking.
func (t *turn) rest(key string) error {
	if err := t.move(evStop); err != nil {
		return err
	}
	t.ep.Trail, t.ep.Retaken = nil, "" // nothing lies before rest that back could ask again
	if key != "" {
		t.say(key)
	}
	t.show()
	return nil
}

// unsafe hands "I am not safe here" to a person: the local line first, then
// when it is safe to write. Until a time is chosen nothing unasked goes out.
func (t *turn) unsafe(talk string) error {
	t.ep.Sensitive = true
	t.cancel(func(it care.Item) bool { return !protected(it.What) })
	t.escalate(care.AboutUnsafe)
	if number, ok := t.f.set.Numbers.Emergency(t.ep.Region); ok {
		t.say("unsafe.first", "number", number)
	} else {
		t.say("unsafe.first_unknown")
		t.places()
	}
	if t.ep.Open {
		return t.rest("")
	}
	if err := t.begin(t.p.Talks[talk]); err != nil {
		return err
	}
	t.show()
	return nil
}

// madeSafe plans the checks again at the time that was chosen.
func (t *turn) madeSafe() error {
	if t.leftHalfway() {
		t.rose()
	}
	t.planChecks()
	if t.ep.Disposition > care.Home {
		t.planSeen()
	}
	return t.rest("unsafe.ok")
}
