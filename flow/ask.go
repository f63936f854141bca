package flow

import (
	"strconv"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// show puts the open question after what this turn says, and sends it.
func (t *turn) show() {
	if t.shown {
		return
	}
	t.shown = true
	t.ep.Ask = nil
	if len(t.ep.Behind) > 0 && t.ep.Aside.What != care.AsideRead && t.answering() && !t.carded { // what waited for the person to be there; a card comes first
		t.lines, t.ep.Behind = append(t.ep.Behind, t.lines...), nil
	}
	if t.wantsZone() {
		t.ep.Aside = care.Aside{What: care.AsideZone}
	}
	if t.ep.Aside.What != "" || t.ep.Doubt != "" {
		t.showAside()
		return
	}
	pl, asking := t.place()
	if !asking || pl.end || pl.junction {
		t.send(nil, "", t.answering())
		return
	}
	s := pl.screen
	switch {
	case t.ep.Other:
		t.say("whose.other")
	case t.ep.Beside:
		t.say("whose.you")
	}
	t.tell()
	if pl.talk.Kind == protocol.First {
		n, total := t.progress(pl)
		t.say("progress", "n", strconv.Itoa(n), "total", strconv.Itoa(total))
	}
	t.text(s)
	ask := t.askOf(s)
	ask.Token = t.token()
	t.ep.Ask = ask
	t.send(ask, s.Picture, t.answering() || t.ep.Open)
}

// token names this question and this visit of it.
func (t *turn) token() string { return care.Token(t.ep.ID, t.ep.Seq+1, t.ep.Other) }

// text says the sentences of a screen.
func (t *turn) text(s *protocol.Screen) {
	switch {
	case s.Say != "":
		t.sayScreen(s)
	case t.plainNow(s):
		t.say("plain." + s.Text)
	case s.Kind == care.Consent:
		t.say("ask."+s.Text, "months", strconv.Itoa(t.ep.Months()))
	default:
		t.say("ask." + s.Text)
	}
}

// sayScreen says what a screen gives to read, and the further lines that fit
// what this person told.
func (t *turn) sayScreen(s *protocol.Screen) {
	key := "say." + s.Say
	args := t.offerArgs(s)
	if s.Say == t.sizeScreen() {
		key, args = t.crutchSize(key)
	}
	t.say(key, args...)
	v := t.view()
	for _, f := range t.p.Order {
		if extra := key + "." + string(f); t.f.set.Book.Has(care.SentenceKey(extra)) && v.on(f) {
			t.say(extra)
		}
	}
}

// offerArgs gives the times of a timer that the screen offers.
func (t *turn) offerArgs(s *protocol.Screen) []string {
	for _, name := range s.Offers {
		if o := t.p.Offers[name]; o.Timer > 0 {
			return []string{"minutes", strconv.Itoa(int(o.Timer.Minutes())), "longest", strconv.Itoa(int(o.Longest.Minutes()))}
		}
	}
	return nil
}

// progress counts what is answered and what is still to come, as far as it is
// sure to come.
func (t *turn) progress(pl place) (n, total int) {
	n = len(t.ep.Trail) + 1
	total = n
	for _, s := range pl.talk.Screens[pl.index+1:] {
		if s.Only.Op == "" {
			total++
		}
	}
	return n, total
}

// tell says once, in one line, that the person is to be seen today; the
// questions go on.
func (t *turn) tell() {
	if t.ep.Disposition == care.SameDay && t.ep.Told < care.SameDay {
		t.say("told.same_day")
		t.ep.Told = care.SameDay
	}
}

// askOf is the question of a screen.
func (t *turn) askOf(s *protocol.Screen) *care.Ask {
	switch {
	case t.plainNow(s):
		return &care.Ask{Facts: s.Facts, Kind: care.YesNo, Choices: choices(t.f.set.Book, "", care.Yes, care.No, care.Unsure)}
	case s.Kind == care.NextOf:
		ask := &care.Ask{Kind: care.NextOf, Choices: choices(t.f.set.Book, "", care.Next)}
		for _, o := range t.offers(s) {
			ask.Choices = append(ask.Choices, care.Choice{Value: o, Label: care.SentenceKey("label.offer." + o)})
		}
		return ask
	}
	ask := *t.p.asks[s] // the choices are the same for everybody
	return &ask
}

// askFor puts a screen's question together, once, when its protocol is compiled.
func askFor(p *protocol.Protocol, book Book, s *protocol.Screen) *care.Ask {
	ask := &care.Ask{Facts: s.Facts, Kind: s.Kind}
	if s.Kind == care.AnyOf {
		for _, f := range s.Facts {
			ask.Choices = append(ask.Choices, care.Choice{Value: string(f), Label: care.SentenceKey("label." + string(f))})
		}
		ask.Choices = append(ask.Choices, choices(book, "", care.None, care.Unsure)...)
		return ask
	}
	f := p.Facts[s.Facts[0]]
	values := f.Values
	switch {
	case s.Kind == care.Consent:
		values = []string{care.Yes, care.No}
	case s.Kind == care.YesNo && len(values) == 0:
		values = []string{care.Yes, care.No, care.Unsure}
	}
	ask.Choices = choices(book, f.Name, values...)
	if s.Kind == care.Several {
		ask.Choices = append(ask.Choices, choices(book, "", care.Unsure)...)
	}
	return ask
}

// choices labels values: a fact's own label where there is one.
func choices(book Book, f care.Fact, values ...string) []care.Choice {
	var list []care.Choice
	for _, v := range values {
		label := care.SentenceKey(strings.Join([]string{"label", string(f), v}, "."))
		if f == "" || !book.Has(label) {
			label = care.SentenceKey("label." + v)
		}
		list = append(list, care.Choice{Value: v, Label: label})
	}
	return list
}

// offers are the offers of a screen that make sense now: a running timer can
// be stopped, not started.
func (t *turn) offers(s *protocol.Screen) []string {
	var list []string
	for _, o := range s.Offers {
		switch offer := t.p.Offers[o]; {
		case offer.Timer > 0 && t.has(care.DoColdTimer):
			list = append(list, timerOff)
		case offer.Talk != "" && !t.offerFits(offer.Talk):
		default:
			list = append(list, o)
		}
	}
	return append(list, enoughOffer, stopOffer)
}

// Offers that belong to no protocol: stop the timer, end this talk, and end
// all messages.
const (
	timerOff    = "timer_off"
	enoughOffer = "enough"
	stopOffer   = "stop"
)

// offerFits keeps home care from being offered to anybody who is not at home.
func (t *turn) offerFits(talk string) bool {
	return talk != t.p.kinds[protocol.First].Then[care.Home] || t.ep.Disposition == care.Home && !t.ep.Open
}

// showAside asks the question beside the state.
func (t *turn) showAside() {
	ask := &care.Ask{Kind: care.YesNo, Choices: choices(t.f.set.Book, "", care.Yes, care.No, care.Unsure), Token: t.token()}
	switch t.ep.Aside.What {
	case care.AsideRead:
		ask.Kind, ask.Choices = care.NextOf, []care.Choice{{Value: care.Next, Label: "label.read"}}
	case care.AsidePhone:
		t.say("ask.phone", "by", t.ep.Aside.By)
		ask.Kind, ask.Facts, ask.Choices = care.NextOf, []care.Fact{"phone"}, []care.Choice{{Value: care.Next, Label: "label.no_phone"}}
	case care.AsideZone:
		t.say("ask.zone", "time", t.now.In(t.zone).Format("15:04"))
	case care.AsideClock:
		t.say("ask.clock")
		ask.Kind, ask.Choices = care.NextOf, []care.Choice{{Value: care.Next, Label: "label.unsure"}}
	default:
		if f, ok := t.p.BySign[t.ep.Doubt]; ok {
			ask.Facts = []care.Fact{f}
		}
		t.say("ask.doubt." + string(t.ep.Doubt))
	}
	t.ep.Ask = ask
	t.send(ask, "", t.answering())
}

// readOn goes on after something to read, or takes an offer.
func (t *turn) readOn(s *protocol.Screen, chosen []string) error {
	t.ep.Tries, t.ep.Ask = 0, nil
	switch o := t.p.Offers[chosen[0]]; {
	case chosen[0] == stopOffer:
		return t.command(care.CmdStop, "")
	case chosen[0] == enoughOffer:
		return t.rest(t.farewell())
	case chosen[0] == timerOff:
		t.cancelWhat(care.DoColdTimer)
		t.say("cold_timer.stopped")
		t.show()
		return nil
	case o.Timer > 0:
		t.plan(care.Item{What: care.DoColdTimer, Due: t.now.Add(o.Timer), Urgent: true})
		t.say("cold_timer.on", "minutes", strconv.Itoa(int(o.Timer.Minutes())))
		t.show()
		return nil
	case o.Talk != "":
		if err := t.begin(t.p.Talks[o.Talk]); err != nil {
			return err
		}
		t.show()
		return nil
	}
	t.ep.Trail = append(t.ep.Trail, t.ep.State)
	return t.goOn()
}
