package flow

import (
	"slices"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// sign takes a danger sign that was typed. What the screen calls an
// ambulance is one, also where the button for the same sign leads to less.
func (t *turn) sign(s care.Sign) error {
	t.ep.Aside = care.Aside{}
	t.note(care.Line{Type: care.LineSign, What: string(s)})
	own := t.p.Signs[s]
	if own != nil && own.Talk != "" {
		return t.unsafe(own.Talk)
	}
	r := care.Reason{To: care.Ambulance, Names: []string{string(s)}, Sensitive: s.Sensitive()}
	if f, ok := t.p.BySign[s]; ok {
		fact := t.p.Facts[f]
		r.Names = []string{string(f)}
		t.store(f, fact.Bad(), false)
		r.To = max(fact.To[fact.Bad()], care.SameDay)
	} else if own != nil {
		r.To = max(own.To, care.SameDay)
	}
	if s.Class() == care.AmbulanceNow {
		r.To = care.Ambulance
	}
	r.Row = "sign/" + string(s)
	t.toldNow(r.Names[0], string(s))
	t.raise(r)
	t.judge()
	if r.To >= care.Emergency || t.ep.Open {
		return t.emergency()
	}
	return t.typedRaise()
}

// typedRaise goes on after a sign below emergency: the question is asked
// again, except where home care was under way or nothing was asked.
func (t *turn) typedRaise() error {
	t.rose()
	pl, asking := t.place()
	if asking && (pl.talk.Kind == protocol.First || ownRound(pl.talk.Kind)) {
		t.tell()
		t.show()
		return nil
	}
	return t.advise(t.p.kinds[protocol.First])
}

// emergency ends the questions: the card first, staff at the same time, and
// then one question, whether somebody can take them.
func (t *turn) emergency() error {
	t.carded = true
	t.dropUnsent()
	t.cancel(func(it care.Item) bool { return it.What != care.DoErase })
	if !t.reportedNow {
		t.reported()
	}
	t.escalate(care.AboutDisposition)
	t.planSeen()
	t.ep.Told, t.ep.Tries, t.ep.Aside = t.ep.Disposition, 0, care.Aside{}
	t.card()
	t.firstAid()
	if t.rideKnown() {
		return t.rest("card.again")
	}
	if err := t.move(evDanger); err != nil {
		return err
	}
	t.ep.Trail, t.ep.Retaken = nil, ""
	t.show()
	return nil
}

// rideKnown reports whether the question about a ride is settled: it is asked
// once an emergency, and can change nothing at ambulance once answered.
func (t *turn) rideKnown() bool { return t.view().Answered(t.p.Roles.Ride) }

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

// card says what to do now: the number of the region first. Where the region
// is unknown the known numbers stand with their places, never a guess.
func (t *turn) card() {
	number, known := t.f.set.Numbers.Emergency(t.ep.Region)
	if known && t.disposition() >= care.Ambulance {
		t.say("card.number", "number", number)
	}
	switch {
	case t.disposition() >= care.Ambulance && !known:
		t.say("card.list")
		t.places()
	case t.disposition() < care.Ambulance && known:
		t.say("card.go", "number", number)
	case !known:
		t.say("card.go_unknown")
		t.places()
	}
	if t.crisis() {
		t.crisisLine(number)
	}
	t.say("card.no_write")
}

// places lists the known numbers with where they hold.
func (t *turn) places() { t.lines = append(t.lines, t.f.set.Numbers.Places()...) }

func (t *turn) crisisLine(number string) {
	if line, ok := t.f.set.Numbers.Crisis(t.ep.Region); ok {
		t.say("card.crisis", "number", line)
		return
	}
	if number != "" {
		t.say("card.no_crisis", "number", number)
		return
	}
	t.say("card.no_crisis_unknown")
}

func (t *turn) crisis() bool {
	return slices.ContainsFunc(t.because(), func(n string) bool {
		s := t.p.Signs[care.Sign(n)]
		return s != nil && s.Crisis
	})
}

// firstAid says what to do until help is there, one instruction a line, for
// each thing the emergency rests on.
func (t *turn) firstAid() {
	for _, n := range t.because() {
		for _, key := range []string{"firstaid." + n, "firstaid.sign." + n} {
			if t.f.set.Book.Has(care.SentenceKey(key)) {
				t.say(key)
			}
		}
	}
}

// again repeats the card while an emergency is open.
func (t *turn) again() {
	t.card()
	t.firstAid()
}

// rode closes the one question of an emergency. That nobody can drive has
// raised it already; here somebody can.
func (t *turn) rode() error {
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
	t.ep.Ask, t.shown = nil, true
	if key != "" {
		t.say(key)
	}
	t.send(nil, "", t.answering() || t.ep.Open)
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

func protected(what string) bool {
	switch what {
	case care.DoErase, care.DoAskStaff, care.DoSecondList, care.DoFreeAgain:
		return true
	default:
		return false
	}
}

// madeSafe plans the checks again at the time that was chosen.
func (t *turn) madeSafe() error {
	if c := t.view().latest(t.p.Roles.SafeTime); c != "never" && c != care.Unsure {
		t.planChecks()
		if t.ep.Disposition > care.Home {
			t.planSeen()
		}
	}
	return t.rest("unsafe.ok")
}
