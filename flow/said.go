package flow

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
)

// unreadable is how often an answer may be misunderstood before it counts as
// not sure. The plain question about a danger screen has as many tries of its
// own.
const unreadable = 2

// opened begins the first talk, or shows again where the episode stands.
func (t *turn) opened() error {
	switch {
	case t.ep.State == StateNew:
		return t.start()
	case t.ep.Aside.What == care.AsideRead:
		t.say("neutral")
		t.show()
		return nil
	case t.ep.State == StateRest && t.ep.Open:
		return t.reopen()
	case t.ep.State == StateRest && t.ep.Doubt == "":
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
	t.ep.LastHeard, t.ep.Unheard = t.now, false
	t.cancelWhat(care.DoRepeat, care.DoNoReply)
	if t.ep.Stopped {
		t.ep.Stopped = false
		t.planChecks() // whoever comes back is asked again
	}
}

// said takes typed words. A danger sign outranks everything; then a word that
// may be said at any moment, a question beside the state, and the answer.
func (t *turn) said(text string, found care.Finding) error {
	t.heard()
	if t.ep.State == StateNew {
		return t.saidFirst(text, found)
	}
	if found.Sign != "" && !found.Doubtful {
		return t.sign(found.Sign)
	}
	if cmd, ok := t.f.set.Reader.Command(text, t.ep.Locale); ok && t.obeys(cmd) {
		if cmd != care.CmdOther { // what was asked here waits for the way back
			t.ep.Aside = care.Aside{}
		}
		return t.command(cmd, text)
	}
	if found.Doubtful && !t.ep.Open { // with an emergency open the card comes again in any case
		return t.doubt(found.Sign)
	}
	if t.ep.Aside.What != "" || t.ep.Doubt != "" {
		return t.asideSaid(text)
	}
	if _, asking := t.place(); !asking {
		return t.reopen()
	}
	return t.read(text)
}

// obeys tells words of command from a first sign of life: a greeting at rest,
// or before a neutral line was read, is that.
func (t *turn) obeys(cmd care.Command) bool {
	waiting := t.ep.State == StateRest || t.ep.Aside.What == care.AsideRead
	return !waiting || cmd != care.CmdGreeting && cmd != care.CmdSkip
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

// doubt asks about a sign that was perhaps meant. It is not forgotten before
// it is answered.
func (t *turn) doubt(s care.Sign) error {
	t.ep.Doubt, t.ep.Tries, t.ep.Aside = s, 0, care.Aside{}
	t.show()
	return nil
}

func (t *turn) asideSaid(text string) error {
	switch t.ep.Aside.What {
	case care.AsideRead:
		return t.asideRead()
	case care.AsidePhone:
		return t.phone(text)
	case care.AsideZone:
		return t.zoneSaid(text)
	case care.AsideClock:
		return t.clockSaid(text)
	}
	q := answer.Question{Kind: care.YesNo, Locale: t.ep.Locale, At: t.now.In(t.zone)}
	r := t.f.set.Reader.Read(q, text)
	if !r.OK && !r.Skip {
		if !isQuestion(text) {
			t.ep.Tries++
		}
		if t.ep.Tries < unreadable {
			t.say("reask")
			t.show()
			return nil
		}
	}
	return t.answerDoubt(r.OK && r.Values[0] == care.No)
}

func isQuestion(text string) bool { return strings.HasSuffix(strings.TrimSpace(text), "?") }

// asideRead is the person's first sign of life after a neutral line. What
// they wrote is no answer yet: they have not seen the question.
func (t *turn) asideRead() error {
	behind := t.ep.Aside
	t.ep.Aside = care.Aside{}
	switch pl, asking := t.place(); {
	case behind.About == care.AboutAdvice:
		t.lines, t.ep.Behind = append(t.ep.Behind, t.lines...), nil
		return t.advise(t.p.kinds[protocol.First])
	case behind.About != "":
		t.ep.Aside = care.Aside{What: care.AsidePhone, About: behind.About, By: behind.By}
	case !asking && len(t.ep.Behind) == 0 && t.ep.Doubt == "":
		return t.reopen()
	case asking && t.ep.Open && pl.talk.Kind == protocol.Emergent:
		t.again() // whoever comes back to an open emergency sees the card first
	}
	t.show()
	return nil
}

func (t *turn) answerDoubt(denied bool) error {
	s := t.ep.Doubt
	t.ep.Doubt, t.ep.Tries = "", 0
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
	if strings.TrimSpace(text) == "" { // a slip of the thumb is no try
		t.show()
		return nil
	}
	q := t.question(s, t.askOf(s))
	r := t.f.set.Reader.Read(q, text)
	switch {
	case r.OK && t.perhaps(q, r.Values, text) != "":
		return t.doubt(t.perhaps(q, r.Values, text))
	case r.Skip && s.Kind != care.NextOf:
		return t.answered(s, []string{care.Unsure}, true)
	case r.OK && len(r.Values) > 0:
		return t.answered(s, r.Values, false)
	case isQuestion(text):
		t.repeatCardOr("cannot_answer")
		t.show()
		return nil
	}
	return t.misread(s)
}

// perhaps is the danger sign that words picked from a danger screen without
// naming it: neither by its number nor by its label, and not seen by the
// safety screen. "My ankle bone hurts" is not bone that shows: it is asked.
func (t *turn) perhaps(q answer.Question, picked []string, text string) care.Sign {
	if strings.ContainsAny(text, "0123456789") {
		return ""
	}
	for _, o := range q.Options {
		f := t.p.Facts[care.Fact(o.Value)]
		if f == nil || q.Kind != care.AnyOf || len(f.Signs) == 0 || !f.Danger || !slices.Contains(picked, o.Value) {
			continue
		}
		if !strings.EqualFold(strings.TrimSpace(text), o.Label) {
			return f.Signs[0]
		}
	}
	return ""
}

// misread asks again with an example; the second time the answer counts as
// not sure, and a danger screen is asked once more as one plain question.
func (t *turn) misread(s *protocol.Screen) error {
	t.ep.Tries++
	most := unreadable
	if s.Plain {
		most = 2 * unreadable
	}
	if t.ep.Tries >= most && s.Kind != care.NextOf {
		t.say("counted_unsure")
		return t.answered(s, []string{care.Unsure}, true)
	}
	t.repeatCardOr("example." + string(t.kindNow(s)))
	t.show()
	return nil
}

// repeatCardOr repeats the card while an emergency is open, whatever is typed.
func (t *turn) repeatCardOr(key string) {
	if t.ep.Open {
		t.again()
		return
	}
	t.say(key)
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
func (t *turn) question(s *protocol.Screen, ask *care.Ask) answer.Question {
	q := answer.Question{Kind: ask.Kind, Locale: t.ep.Locale, At: t.now.In(t.zone)}
	for _, c := range ask.Choices {
		label, err := t.f.set.Book.Text(t.ep.Locale, care.Sentence{Key: c.Label})
		if err != nil {
			label = c.Value // the value is a word too; the loader has checked every label
		}
		q.Options = append(q.Options, answer.Option{
			Value: c.Value, Label: label, Words: t.f.set.Book.Words(t.ep.Locale, c.Label), Said: t.f.set.Book.Words(t.ep.Locale, t.saidKey(s, ask, c.Value)),
		})
	}
	return q
}

// saidKey names the phrases that mean a value in answer to this question.
func (t *turn) saidKey(s *protocol.Screen, ask *care.Ask, value string) care.SentenceKey {
	name := s.Name
	if len(ask.Facts) == 1 && t.p.Facts[ask.Facts[0]] != nil {
		f := t.p.Facts[ask.Facts[0]]
		name = cmp.Or(f.SaidLike, string(f.Name))
	}
	return care.SentenceKey("label.said." + name + "." + value)
}

// chose takes pressed choices. Only choices of the open question count; a
// press on a danger sign of an older one raises all the same.
func (t *turn) chose(ev care.Event) error {
	ask := t.ep.Ask
	if t.ep.State == StateNew && ev.Token != "" {
		return t.choseFirst(ev)
	}
	if ev.Token != "" && (ask == nil || ev.Token != ask.Token) {
		return t.late(ev)
	}
	if ask == nil {
		return care.ErrNoAsk
	}
	if err := fits(ask, ev.Choices); err != nil {
		return err
	}
	t.heard()
	switch {
	case t.ep.Aside.What == care.AsideRead:
		return t.asideRead()
	case t.ep.Aside.What == care.AsidePhone:
		return t.phone("")
	case t.ep.Aside.What == care.AsideZone:
		return t.zoneAnswered(ev.Choices[0])
	case t.ep.Aside.What == care.AsideClock:
		return t.clockSaid("")
	case t.ep.Doubt != "":
		return t.answerDoubt(ev.Choices[0] == care.No)
	}
	pl, ok := t.place()
	if !ok {
		return care.ErrNoAsk
	}
	return t.answered(pl.screen, ev.Choices, false)
}

// choseFirst is a press on a question of a talk that is over or erased: it
// opens a new one, and a danger sign counts.
func (t *turn) choseFirst(ev care.Event) error {
	if !slices.ContainsFunc(ev.Choices, t.dangerous) {
		return t.start()
	}
	if err := t.begin(t.p.kinds[protocol.First]); err != nil {
		return err
	}
	return t.late(ev)
}

func (t *turn) dangerous(choice string) bool {
	f := t.p.Facts[care.Fact(choice)]
	return f != nil && f.Danger
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
		if f := t.p.Facts[care.Fact(c)]; t.dangerous(c) && len(t.ep.Rounds) > 0 {
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
