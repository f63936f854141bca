package flow

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
)

// unreadable is how often an answer may be misunderstood before it counts as
// not sure.
const unreadable = 2

// opened begins the first talk, or shows again where the episode stands.
func (t *turn) opened() error {
	if t.ep.State == StateNew {
		return t.start()
	}
	if t.ep.State == StateRest && t.ep.Aside.What == "" {
		t.say("rest.hello")
		t.send(nil, "", true)
		return nil
	}
	t.show()
	return nil
}

func (t *turn) start() error {
	if number, ok := t.f.set.Numbers.Emergency(t.ep.Region); ok {
		t.say("intro", "number", number)
	} else {
		t.say("intro.unknown")
	}
	if err := t.begin(t.p.kinds[protocol.First]); err != nil {
		return err
	}
	t.show()
	return nil
}

// heard notes that the person is there: what waits for silence is taken back.
func (t *turn) heard() {
	t.ep.LastHeard = t.now
	t.ep.Stopped = false
	t.cancelWhat(care.DoRepeat, care.DoNoReply)
}

// said takes typed words. A danger sign outranks everything; then a question
// beside the state, a word that may be said at any moment, and the answer.
func (t *turn) said(text string, found care.Finding) error {
	t.heard()
	if t.ep.State == StateNew {
		return t.saidFirst(text, found)
	}
	if found.Sign != "" && !found.Doubtful {
		return t.sign(found.Sign)
	}
	if t.ep.Aside.What != "" {
		return t.asideSaid(text, found)
	}
	if cmd, ok := t.f.set.Reader.Command(text, t.ep.Locale); ok && !(cmd == care.CmdGreeting && t.ep.State == StateRest) {
		return t.command(cmd, text)
	}
	if found.Doubtful && !t.ep.Open { // with an emergency open the card comes again in any case
		return t.doubt(found.Sign)
	}
	if _, asking := t.place(); !asking {
		return t.reopen()
	}
	return t.read(text)
}

// saidFirst is a message before anything was asked: it opens the talk, and a
// danger sign in it counts.
func (t *turn) saidFirst(text string, found care.Finding) error {
	if found.Sign == "" {
		return t.start()
	}
	if err := t.begin(t.p.kinds[protocol.First]); err != nil {
		return err
	}
	return t.said(text, found)
}

// doubt asks about a sign that was perhaps meant.
func (t *turn) doubt(s care.Sign) error {
	t.ep.Aside = care.Aside{What: care.AsideDoubt, About: string(s)}
	t.ep.Tries = 0
	t.show()
	return nil
}

func (t *turn) asideSaid(text string, found care.Finding) error {
	switch t.ep.Aside.What {
	case care.AsideRead:
		if cmd, ok := t.f.set.Reader.Command(text, t.ep.Locale); ok && cmd != care.CmdGreeting && cmd != care.CmdSkip {
			t.ep.Aside = care.Aside{}
			return t.command(cmd, text)
		}
		return t.asideRead(found)
	case care.AsidePhone:
		return t.phone(text)
	}
	q := answer.Question{Kind: care.YesNo, Locale: t.ep.Locale, At: t.now.In(t.zone)}
	r := t.f.set.Reader.Read(q, text)
	if !r.OK && !r.Skip && t.ep.Tries+1 < unreadable {
		t.ep.Tries++
		t.say("reask")
		t.show()
		return nil
	}
	return t.asideDoubt(r.OK && r.Values[0] == care.No)
}

// asideRead is the person's first sign of life after a neutral line. What
// they wrote is no answer yet: they have not seen the question.
func (t *turn) asideRead(found care.Finding) error {
	t.ep.Aside = care.Aside{}
	t.ep.Hidden = false
	if found.Doubtful {
		return t.doubt(found.Sign)
	}
	if t.ep.State == StateRest {
		return t.reopen()
	}
	if pl, _ := t.place(); t.ep.Open && pl.talk.Kind == protocol.Emergent {
		t.again() // whoever comes back to an open emergency sees the card first
	}
	t.show()
	return nil
}

func (t *turn) asideDoubt(denied bool) error {
	s := care.Sign(t.ep.Aside.About)
	t.ep.Aside, t.ep.Tries = care.Aside{}, 0
	if !denied {
		return t.sign(s)
	}
	if t.ep.State == StateRest {
		return t.reopen()
	}
	t.show()
	return nil
}

// read reads an answer to the open question.
func (t *turn) read(text string) error {
	pl, _ := t.place()
	s := pl.screen
	ask := t.askOf(s)
	r := t.f.set.Reader.Read(t.question(ask), text)
	switch {
	case r.Skip && s.Kind != care.NextOf:
		return t.answered(s, []string{care.Unsure}, true)
	case r.OK && len(r.Values) > 0:
		t.ep.Tries = 0
		return t.answered(s, r.Values, false)
	case strings.HasSuffix(strings.TrimSpace(text), "?"):
		if t.ep.Open {
			t.again()
		} else {
			t.say("cannot_answer")
		}
		t.show()
		return nil
	}
	return t.misread(s)
}

// misread asks again with an example; the second time the answer counts as
// not sure, and a danger screen is asked once more as one plain question.
func (t *turn) misread(s *protocol.Screen) error {
	t.ep.Tries++
	switch {
	case s.Kind == care.NextOf:
	case t.ep.Tries == unreadable && s.Plain:
	case t.ep.Tries >= unreadable:
		t.say("counted_unsure")
		return t.answered(s, []string{care.Unsure}, true)
	}
	if t.ep.Open {
		t.again()
	} else {
		t.say("example." + string(t.kindNow(s)))
	}
	t.show()
	return nil
}

// plainNow reports whether the danger screen is asked as one plain question.
func (t *turn) plainNow(s *protocol.Screen) bool { return s.Plain && t.ep.Tries >= unreadable }

func (t *turn) kindNow(s *protocol.Screen) care.Kind {
	if t.plainNow(s) {
		return care.YesNo
	}
	return s.Kind
}

// question is what the reader of typed words needs to know: the choices with
// the words that the person sees on them.
func (t *turn) question(ask *care.Ask) answer.Question {
	q := answer.Question{Kind: ask.Kind, Locale: t.ep.Locale, At: t.now.In(t.zone)}
	for _, c := range ask.Choices {
		label, err := t.f.set.Book.Text(t.ep.Locale, care.Sentence{Key: c.Label})
		if err != nil {
			label = c.Value // the value is a word too; the loader has checked every label
		}
		q.Options = append(q.Options, answer.Option{Value: c.Value, Label: label, Words: t.f.set.Book.Words(t.ep.Locale, c.Label)})
	}
	return q
}

// chose takes pressed choices. Only choices of the open question count; a
// late press on a danger sign raises all the same.
func (t *turn) chose(ev care.Event) error {
	ask := t.ep.Ask
	if ask == nil {
		return care.ErrNoAsk
	}
	if ev.Token != "" && ev.Token != ask.Token {
		return t.late(ev)
	}
	if err := fits(ask, ev.Choices); err != nil {
		return err
	}
	t.heard()
	switch t.ep.Aside.What {
	case care.AsideRead:
		return t.asideRead(care.Finding{})
	case care.AsideDoubt:
		return t.asideDoubt(ev.Choices[0] == care.No)
	case care.AsidePhone:
		return t.phone("")
	}
	pl, ok := t.place()
	if !ok {
		return care.ErrNoAsk
	}
	t.ep.Tries = t.keepTries(pl.screen)
	return t.answered(pl.screen, ev.Choices, false)
}

// keepTries keeps a plain question plain until it is answered.
func (t *turn) keepTries(s *protocol.Screen) int {
	if t.plainNow(s) {
		return t.ep.Tries
	}
	return 0
}

func fits(ask *care.Ask, choices []string) error {
	if len(choices) == 0 || len(choices) > 1 && ask.Kind != care.AnyOf && ask.Kind != care.Several {
		return fmt.Errorf("%w: choose one of %s", care.ErrBadChoice, values(ask))
	}
	for _, c := range choices {
		if !slices.ContainsFunc(ask.Choices, func(have care.Choice) bool { return have.Value == c }) {
			return fmt.Errorf("%w: %q; choose from %s", care.ErrBadChoice, c, values(ask))
		}
	}
	return nil
}

func values(ask *care.Ask) string {
	if len(ask.Choices) == 0 {
		return "nothing: this question is answered in words"
	}
	var list []string
	for _, c := range ask.Choices {
		list = append(list, c.Value)
	}
	return strings.Join(list, ", ")
}

// late answers a press on a question that is not open any more: the current
// one is shown; a danger sign counts whenever it is pressed.
func (t *turn) late(ev care.Event) error {
	t.heard()
	for _, c := range ev.Choices {
		if f := t.p.Facts[care.Fact(c)]; f != nil && f.Danger {
			t.store(f.Name, f.Bad(), false)
		}
	}
	t.judge()
	if t.fresh >= care.Emergency {
		return t.emergency()
	}
	t.say("late_press")
	t.show()
	return nil
}
