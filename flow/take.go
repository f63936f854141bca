package flow

import (
	"slices"
	"strconv"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// answered keeps an answer, judges it and goes on.
func (t *turn) answered(s *protocol.Screen, chosen []string, skipped bool) error {
	if s.Kind == care.NextOf {
		return t.readOn(s, chosen)
	}
	before := t.latestOf(s)
	t.take(s, chosen, skipped)
	t.takenBack(s, before)
	t.ep.Trail = append(t.ep.Trail, t.ep.State)
	t.ep.Tries, t.ep.Ask = 0, nil
	t.judge()
	t.effects(s)
	if s.Facts[0] == t.p.Roles.Ride {
		t.ep.RideKnown = true
	}
	if t.fresh >= care.Emergency {
		return t.emergency()
	}
	if s.Facts[0] == t.p.Roles.Adult && t.view().latest(t.p.Roles.Adult) != care.Yes {
		return t.getAdult()
	}
	t.rose()
	return t.goOn()
}

// goOn takes the table's next step and shows what comes.
func (t *turn) goOn() error {
	if err := t.move(evAnswered); err != nil {
		return err
	}
	if err := t.settle(); err != nil {
		return err
	}
	if t.fresh >= care.Emergency && t.ep.Open && !t.carded {
		return t.emergency() // a junction settled a fact that raised
	}
	t.rose()
	t.show()
	return nil
}

func (t *turn) latestOf(s *protocol.Screen) string {
	all := t.round().Facts.Get(s.Facts[0]).Latest()
	for _, f := range s.Facts[1:] {
		all += ";" + t.round().Facts.Get(f).Latest()
	}
	return all
}

// takenBack raises one staff item when an answer is changed after going back.
func (t *turn) takenBack(s *protocol.Screen, before string) {
	if t.ep.Retaken == t.ep.State && before != t.latestOf(s) {
		t.escalate(care.AboutTakenBack)
	}
	t.ep.Retaken = ""
}

// take stores the facts of a screen.
func (t *turn) take(s *protocol.Screen, chosen []string, skipped bool) {
	switch {
	case s.Kind == care.AnyOf && t.plainNow(s):
		t.takeGroup(s, plainGroup(chosen[0]), skipped)
	case s.Kind == care.AnyOf:
		t.takeGroup(s, chosen, skipped)
	default:
		t.takeOne(t.p.Facts[s.Facts[0]], chosen, skipped)
	}
}

// plainGroup reads the one plain question about a group: yes says that
// something is so, but not what.
func plainGroup(v string) []string {
	if v == care.No {
		return []string{care.None}
	}
	return []string{care.Unsure}
}

// takeGroup stores the facts of a group. Facts beside "none" or "not sure"
// count. Not sure makes the facts with the most severe single disposition
// unsure, and leaves the others open.
func (t *turn) takeGroup(s *protocol.Screen, chosen []string, skipped bool) {
	named := slices.ContainsFunc(s.Facts, func(f care.Fact) bool { return slices.Contains(chosen, string(f)) })
	unsure := !named && !slices.Contains(chosen, care.None)
	var top care.Disposition
	for _, f := range s.Facts {
		top = max(top, t.p.Facts[f].To[care.Unsure])
	}
	for _, f := range s.Facts {
		switch {
		case slices.Contains(chosen, string(f)):
			t.store(f, care.Yes, false)
		case !unsure:
			t.store(f, care.No, false)
		case t.p.Facts[f].To[care.Unsure] == top:
			t.store(f, care.Unsure, skipped).Grouped = true
		}
	}
}

func (t *turn) takeOne(f *protocol.Fact, chosen []string, skipped bool) {
	value := strings.Join(chosen, ",")
	unsure := slices.Contains(chosen, care.Unsure)
	switch f.Kind {
	case care.Consent:
		if unsure {
			value = care.No
		}
	case care.Several:
		if real := slices.DeleteFunc(slices.Clone(chosen), func(v string) bool { return v == care.Unsure }); len(real) > 0 {
			value, unsure = strings.Join(real, ","), false
		} else {
			value = strings.Join(f.UnsureMeans, ",")
		}
	case care.Age:
		value, unsure = t.band(f, value, unsure)
	case care.Since:
		value, unsure = t.since(f, value, unsure)
	}
	h := t.store(f.Name, value, skipped)
	h.Doubted = h.Doubted || unsure && f.Kind != care.Consent
	h.Grouped = false
}

// band keeps the band of an age, not the years.
func (t *turn) band(f *protocol.Fact, value string, unsure bool) (string, bool) {
	years, err := strconv.Atoi(value)
	if err != nil || unsure {
		return f.Unread, true
	}
	if band, ok := f.Band(float64(years)); ok {
		return band, false
	}
	return f.Unread, true
}

// since keeps the moment of the injury and the band of the time since. An
// unreadable one counts from the start of the talk.
func (t *turn) since(f *protocol.Fact, value string, unsure bool) (string, bool) {
	ago, err := care.ParseDuration(value)
	if err != nil || unsure {
		t.ep.InjuredAt = t.ep.Opened
		return f.Unread, true
	}
	t.ep.InjuredAt = ago.Before(t.now)
	band, _ := f.Band(t.now.Sub(t.ep.InjuredAt).Hours())
	return band, false
}

// effects does what an answer brings beside its disposition.
func (t *turn) effects(s *protocol.Screen) {
	for _, name := range s.Facts {
		f, value := t.p.Facts[name], t.round().Facts.Get(name).Latest()
		switch name {
		case t.p.Roles.Region:
			t.region(value)
		case t.p.Roles.Consent:
			t.consented(value)
		case t.p.Roles.DayZero:
			t.cancelWhat(t.checkNames()...)
			t.planChecks()
		}
		for _, pl := range f.Plans {
			if slices.ContainsFunc(pl.When, func(v string) bool { return matches(f, value, v) }) {
				t.cancel(func(it care.Item) bool { return it.What == pl.What && it.About == string(name) })
				t.planTalk(care.Item{What: pl.What, Due: t.now.Add(pl.After), About: string(name)})
			}
		}
	}
}

// region keeps where the person is; the zone of a one-zone region comes with
// it unless somebody chose another.
func (t *turn) region(value string) {
	if _, known := t.f.set.Numbers.Emergency(value); known {
		t.ep.Region, t.ep.Elsewhere = value, false
	}
	if zone, one := t.f.set.Numbers.Zone(value); one && !t.ep.ZoneSet {
		t.ep.Zone, t.ep.ZoneAsk = zone, false
	}
}

func (t *turn) consent() string { return t.view().latest(t.p.Roles.Consent) }

// consented lets go what waited for consent.
func (t *turn) consented(value string) {
	if value != care.Yes {
		t.cancel(func(it care.Item) bool {
			return t.p.Talks[it.What] != nil || it.What == care.DoRepeat || it.What == care.DoNoReply
		})
		t.say("consent.no")
		return
	}
	t.cancel(func(it care.Item) bool { return it.What == care.DoErase })
	t.say("consent.yes")
	for i := range t.ep.Escalations {
		if t.ep.Escalations[i].Held {
			t.ep.Escalations[i].Held = false
			t.handOver(&t.ep.Escalations[i])
			t.chase(&t.ep.Escalations[i])
		}
	}
	if t.ep.Disposition > care.Home {
		t.planSeen()
	}
	t.planChecks()
}
