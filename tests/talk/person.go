package talk

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

// A Person answers from a table of facts; what the table does not say gets the
// answer of somebody with a plain sprain. "group:who" answers a group as a
// whole. The values skip and unreadable do what they say.
type Person map[string]string

// plain is somebody with a plain sprain.
var plain = Person{
	"age_years": "34", "adult_present": "yes", "consent": "yes", "injured_at": "PT2H", "side": "left", "where_it_hurts": "ankle",
	"four_steps_then": "yes", "four_steps_now": "yes", "pain_worst": "4", "swelling": "some", "walking": "limp", "overall": "same",
	"ride": "yes", "sober_adult": "yes", "xray_result": "not_done", "height_cm": "170 cm", "safe_time": "any_time", "crutch_fit": "yes",
	"seen_check": "yes", "xray_since": "not_done", "region": "PT",
}

// Better is somebody who gets better: the answers to a check.
func Better() Person {
	return Person{"pain_worst": "1", "walking": "normal", "swelling": "none", "overall": "better"}
}

// With is p with some answers changed.
func (p Person) With(more Person) Person {
	all := maps.Clone(p)
	if all == nil {
		all = Person{}
	}
	maps.Copy(all, more)
	return all
}

func (p Person) fact(name string) string {
	if v, ok := p[name]; ok {
		return v
	}
	if v, ok := plain[name]; ok {
		return v
	}
	return "no"
}

// groups are the screens that ask several facts at once, by their facts.
var groups = map[string]string{
	"chest_or_breathing collapsed": "danger_a", "foot_numb deformed": "danger_b", "chest_or_breathing foot_cold_or_pale": "danger_check",
	"already_seen no_injury": "who", "wound too_swollen_to_press": "look", "sole_bruise heel_cord": "later",
}

// Step answers the open question once; it reports false where none is open.
func (p Person) Step(s *Session) bool {
	s.t.Helper()
	switch ask := s.Ask; {
	case ask == nil:
		return false
	case ask.Kind == "next":
		s.Choose("next")
	case ask.Kind == "anyof":
		p.group(s, ask)
	case ask.Kind == "yesno" && len(ask.Facts) > 1: // a danger screen as one plain question
		s.Choose(p.any(ask))
	default:
		p.one(s, ask, p.fact(ask.Facts[0]))
	}
	return true
}

// Line is the line in that answers a question; skip and unreadable are left
// to Step.
func (p Person) Line(ask *Ask) string {
	v := map[string]any{}
	switch fact := p.fact(ask.Fact()); {
	case ask.Kind == "next":
		v["choose"] = []string{"next"}
	case ask.Kind == "anyof":
		v["choose"] = p.chosen(ask)
	case ask.Kind == "several":
		v["choose"] = strings.Split(fact, ",")
	case len(ask.Choices) > 0:
		v["choose"] = []string{fact}
	default:
		v["say"] = fact
	}
	line, err := json.Marshal(v)
	if err != nil {
		panic(err) // strings always can be written
	}
	return string(line)
}

// chosen are the facts of a group that are so, or none.
func (p Person) chosen(ask *Ask) []string {
	var chosen []string
	for _, f := range ask.Facts {
		if p.fact(f) == "yes" {
			chosen = append(chosen, f)
		}
	}
	if len(chosen) == 0 {
		return []string{"none"}
	}
	return chosen
}

func (p Person) any(ask *Ask) string {
	if slices.ContainsFunc(ask.Facts, func(f string) bool { return p.fact(f) == "yes" }) {
		return "yes"
	}
	return "no"
}

func (p Person) group(s *Session, ask *Ask) {
	s.t.Helper()
	chosen := p.chosen(ask)
	whole := p["group:"+groups[strings.Join(ask.Facts[:2], " ")]]
	switch {
	case whole == "skip":
		s.Say("skip")
	case whole != "" && chosen[0] == "none":
		s.Choose(whole)
	default:
		s.Choose(chosen...)
	}
}

func (p Person) one(s *Session, ask *Ask, v string) {
	s.t.Helper()
	switch {
	case v == "skip":
		s.Say("skip")
	case v == "unreadable":
		s.Say("blorp")
		s.Say("blorp")
	case ask.Kind == "several" && v != "unsure":
		s.Choose(strings.Split(v, ",")...)
	case len(ask.Choices) > 0:
		s.Choose(v)
	case v == "unsure":
		s.Say("not sure")
		if s.Ask != nil && s.Ask.Fact() == ask.Fact() {
			s.Say("not sure")
		}
	default:
		s.Say(v)
	}
}

// endless bounds how many answers a test gives: a person who is asked more is
// caught.
const endless = 120

// Until answers until stop says so, or nothing is asked any more.
func (p Person) Until(s *Session, stop func(ask *Ask) bool) {
	s.t.Helper()
	for range endless {
		if s.Ask == nil || stop(s.Ask) || !p.Step(s) {
			return
		}
	}
	s.t.Fatalf("still asking after %d answers: %v", endless, s.Ask)
}

// DayZero answers the questions of day 0, and whether somebody can drive.
func (p Person) DayZero(s *Session) {
	s.t.Helper()
	p.Until(s, func(a *Ask) bool { return a.Kind == "next" || a.Fact() == "no_cold" })
}

// All answers until nothing is asked any more.
func (p Person) All(s *Session) {
	s.t.Helper()
	p.Until(s, func(*Ask) bool { return false })
}
