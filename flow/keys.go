package flow

import (
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// Keys lists every sentence that the dialogue of the loaded protocols must be
// able to say, so that a start can be refused before anybody is asked.
func (f *Flow) Keys() []care.SentenceKey {
	keys := map[string]bool{}
	add := func(parts ...string) { keys[strings.Join(parts, ".")] = true }
	for _, k := range said {
		keys[k] = true
	}
	for _, kind := range []care.Kind{care.YesNo, care.AnyOf, care.OneOf, care.Several, care.Scale, care.Age, care.Since, care.Height, care.Consent, care.NextOf} {
		add("example", string(kind))
	}
	for d := care.Home; d <= care.Ambulance; d++ {
		add("disposition", d.String())
	}
	for _, c := range f.byID {
		c.keys(add, f.set.Book)
	}
	var list []care.SentenceKey
	for k := range keys {
		list = append(list, care.SentenceKey(k))
	}
	return list
}

// said are the sentences that belong to no protocol.
var said = strings.Fields(`
	card.place card.elsewhere ask.zone ask.clock zone.kept practice intro intro.unknown nobody_reads progress whose.other whose.you rest.hello rest.checks rest.no_checks rest.no_checks.seen neutral neutral.again
	reask counted_unsure cannot_answer late_press taken_back greeting told.same_day limits home.first because.head because.told because.unsure
	card.number card.list card.go card.go_unknown card.go_now card.wait card.again card.no_write card.crisis card.no_crisis card.no_crisis_unknown
	unsafe.first unsafe.first_unknown unsafe.ok get_adult not_finished consent.yes consent.no
	series.both series.ankle series.foot series.shin series.standing series.toes_down say.after_xray say.fracture
	seen.no.clinician seen.no.same_day seen.no.emergency seen.no.ambulance danger_check.clear
	check.same check.seen_again check.not_judged check.better_2 check.better_3 check.better_protect check.danger_only day_14.done day_14.no_reply
	cold_timer.on cold_timer.off cold_timer.stopped crutch_fit.yes crutch_fit.no
	cmd.human cmd.stop cmd.stop.seen cmd.stop.open cmd.kept cmd.deleted cmd.start_over cmd.back_none cmd.language cmd.language_now cmd.language_unsigned cmd.hidden cmd.other cmd.other_back cmd.help
	why.rest staff.says staff.taken staff.has staff_watch staff.closed staff.lowered staff.wants_call signature
	nobody_answered nobody_answered.unknown nobody_answered.same_day nobody_answered.clinician in_emergency in_emergency.unknown help.first help.first.unknown ask.phone phone.kept phone.none fault fault.unknown fault.card fault.card.unknown
	retired retired.then retired.then.unknown away away.unknown
	label.yes label.no label.unsure label.none label.next label.read label.no_phone label.offer.stop label.offer.enough label.offer.timer_off
	reason.answer reason.not_finished reason.not_improved reason.staff`)

func (c *compiled) keys(add func(...string), book Book) {
	for _, name := range c.TalkSeq {
		for _, s := range c.Talks[name].Screens {
			c.screenKeys(&s, add)
		}
	}
	for _, f := range c.Facts {
		c.factKeys(f, add, book)
	}
	for s, sign := range c.Signs {
		if sign.Talk == "" {
			add("firstaid.sign", string(s))
		}
	}
	for _, s := range care.Signs() {
		add("reason.sign", string(s))
		add("ask.doubt", string(s))
	}
	for o := range c.Offers {
		add("label.offer", o)
	}
}

func (c *compiled) screenKeys(s *protocol.Screen, add func(...string)) {
	switch {
	case s.Say != "":
		add("say", s.Say)
		return
	case s.Plain:
		add("plain", s.Text)
	}
	add("ask", s.Text)
	add("why", s.Text)
	if s.Kind != care.AnyOf {
		return
	}
	for _, f := range s.Facts {
		add("label", string(f))
	}
}

func (c *compiled) factKeys(f *protocol.Fact, add func(...string), book Book) {
	for _, v := range f.Values {
		if own := strings.Join([]string{"label", string(f.Name), v}, "."); v != care.Yes && v != care.No && v != care.Unsure && v != care.None || book.Has(care.SentenceKey(own)) {
			add("label", string(f.Name), v)
		}
	}
	if c.names(f.Name) && !c.byValue(f, book) {
		add("reason", string(f.Name))
	}
	if f.Danger {
		add("firstaid", string(f.Name))
	}
}

// names reports whether the fact can be a reason.
func (c *compiled) names(name care.Fact) bool {
	if len(c.Facts[name].To) > 0 {
		return true
	}
	for _, row := range c.Raise {
		for _, f := range append(row.When.Reads(), row.Names...) {
			if f == name {
				return true
			}
		}
	}
	return false
}

// byValue reports whether every value that leads somewhere has a reason of
// its own.
func (c *compiled) byValue(f *protocol.Fact, book Book) bool {
	for v := range f.To {
		if !book.Has(care.SentenceKey("reason." + string(f.Name) + "." + v)) {
			return false
		}
	}
	return len(f.To) > 0
}
