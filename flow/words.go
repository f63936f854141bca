package flow

import (
	"fmt"
	"strconv"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// command obeys a word that may be said at any moment. With an emergency open
// the card is repeated first, once, and staff are told that the person turned
// to something else, and nothing more.
func (t *turn) command(cmd care.Command, text string) error {
	if t.ep.Open {
		t.again()
		switch cmd {
		case care.CmdStop, care.CmdDelete, care.CmdHide, care.CmdOther, care.CmdLanguage, care.CmdStartOver:
			t.escalate(care.AboutNotSeen)
		}
	}
	switch cmd {
	case care.CmdHuman:
		t.escalate(care.AboutHuman)
		t.say("cmd.human")
		t.watching()
	case care.CmdWhy:
		t.explain()
	case care.CmdBack:
		return t.back()
	case care.CmdStartOver:
		return t.startOver()
	case care.CmdStop:
		return t.stop()
	case care.CmdKept:
		t.say("cmd.kept", "months", strconv.Itoa(t.ep.Months()))
	case care.CmdDelete:
		t.say("cmd.deleted")
		return t.erase()
	case care.CmdLanguage:
		t.language(text)
	case care.CmdHide:
		return t.hide()
	case care.CmdOther:
		t.ep.WantsOther, t.ep.Beside = true, true
		if t.ep.Other {
			t.say("cmd.other_back")
		} else {
			t.say("cmd.other")
		}
		t.send(nil, "", true)
		return nil
	case care.CmdSkip:
		return t.skip()
	case care.CmdGreeting:
		if !t.ep.Open {
			t.say("greeting")
		}
	default:
		t.say("cmd.help")
	}
	t.show()
	return nil
}

// explain says why the open question is asked, or why the advice is what it
// is.
func (t *turn) explain() {
	pl, asking := t.place()
	if !asking {
		t.why()
		t.say("why.rest")
		return
	}
	key := care.SentenceKey("why." + pl.screen.Text)
	if !t.f.set.Book.Has(key) {
		key = care.SentenceKey("why." + pl.screen.Name)
	}
	if !t.f.set.Book.Has(key) {
		key = "why.rest"
	}
	t.say(string(key))
}

// back asks the last screen of this talk again. Both answers are kept, and an
// emergency can't be taken back: staff are told of the wish.
func (t *turn) back() error {
	if t.ep.Open {
		t.escalate(care.AboutTakenBack)
		t.say("taken_back")
		t.show()
		return nil
	}
	if len(t.ep.Trail) == 0 {
		t.say("cmd.back_none")
		t.show()
		return nil
	}
	want := t.ep.Trail[len(t.ep.Trail)-1]
	for steps := 0; t.ep.State != want; steps++ {
		if steps > len(t.p.table.screens) {
			return fmt.Errorf("episode %s: %s does not lie before %s", t.ep.ID, want, t.ep.State)
		}
		if err := t.move(evBack); err != nil {
			return err
		}
	}
	t.ep.Trail = t.ep.Trail[:len(t.ep.Trail)-1]
	t.ep.Retaken, t.ep.Tries = want, 0
	t.show()
	return nil
}

// startOver asks anew inside the same episode. With an emergency open only
// the danger screens are asked, and nothing is lowered by them.
func (t *turn) startOver() error {
	talk := t.p.kinds[protocol.First]
	if t.ep.Open {
		talk = t.p.kinds[protocol.DangerAsk]
	}
	if talk == nil {
		t.show()
		return nil
	}
	t.say("cmd.start_over")
	if talk.Kind == protocol.First && len(t.ep.Rounds) > 0 {
		t.ep.Rounds[0].Done = false
	}
	if err := t.begin(talk); err != nil {
		return err
	}
	t.show()
	return nil
}

// stop ends the questions and the messages. On day 0 the disposition so far
// stands, and at least a clinician: the check is not finished.
func (t *turn) stop() error {
	t.ep.Aside = care.Aside{}
	unfinished := t.leftHalfway()
	if unfinished {
		t.reportedAtEnd()
		t.escalate(care.AboutDisposition)
		t.rosen = t.ep.Disposition
	}
	t.cancel(func(it care.Item) bool { return !protected(it.What) })
	t.ep.Stopped = true
	if t.ep.Open {
		return t.rest("cmd.stop.open")
	}
	if unfinished {
		t.say("disposition." + t.disposition().String())
		t.why()
		t.say("not_finished")
	}
	if t.disposition() > care.Home {
		return t.rest("cmd.stop.seen")
	}
	return t.rest("cmd.stop")
}

// leftHalfway reports whether the day-0 questions were never answered to their
// end. Nobody is at home then: a clinician must look.
func (t *turn) leftHalfway() bool {
	if len(t.ep.Rounds) == 0 || t.ep.Rounds[0].Done {
		return false
	}
	t.raiseAnew(care.Reason{Row: NotFinished, To: care.Clinician, Names: []string{NotFinished}})
	return true
}

// language changes the language, or lists those that there are. Where the
// clinic stands by no words in it yet, it says why another one is written.
func (t *turn) language(text string) {
	which, ok := t.f.set.Reader.Language(text)
	if !ok {
		t.say("cmd.language")
		return
	}
	t.ep.Locale = which
	if t.f.set.Book.Spoken(which, "cmd.language_now") {
		t.say("cmd.language_now")
		return
	}
	t.say("cmd.language_unsigned", "language", t.f.set.Book.Name(which))
}

// hide shows a neutral screen at once; the question comes back when the
// person does.
func (t *turn) hide() error {
	if t.ep.Open {
		t.send(nil, "", true)
	}
	t.ep.Aside = care.Aside{What: care.AsideRead}
	t.say("cmd.hidden")
	t.show()
	return nil
}

// skip counts as not sure, and is kept as skipped.
func (t *turn) skip() error {
	pl, asking := t.place()
	if !asking {
		t.show()
		return nil
	}
	if pl.screen.Kind == care.NextOf {
		return t.readOn(pl.screen, []string{care.Next})
	}
	return t.answered(pl.screen, []string{care.Unsure}, true)
}
