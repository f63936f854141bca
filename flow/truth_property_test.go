package flow

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"turnstone/care"
)

// orders list, for each answer of day 0, its values from the mildest to the
// worst. In a cast nobody presses or steps, so that a cast hides a sore bone:
// it has no order. A child alone and a talk without consent end early: they
// have none either.
var orders = func() map[string][]string {
	list := map[string][]string{
		"age_years": {"34", "70", "3", "0"}, "injured_at": {"PT2H", "PT30H", "PT72H", "P12D"}, "overall": {"better", "same", "worse"},
		"side": {"left", "both"}, "where_it_hurts": {"ankle", "ankle,midfoot"}, "four_steps_then": {"yes", "no"}, "four_steps_now": {"yes", "no"},
		"pain_worst": {"0", "4", "7", "8", "10"}, "swelling": {"none", "some", "large"}, "walking": {"normal", "limp", "few_steps", "none"},
		"sober_adult": {"yes", "no"}, "ride": {"yes", "no"},
	}
	for _, f := range strings.Fields(`chest_or_breathing collapsed stroke_signs head_or_neck heavy_bleeding bone_visible foot_cold_or_pale
		crushed_or_thrown foot_numb deformed high_energy landed_on_heels pain_out_of_control other_severe_pain calf_pain_or_swelling
		fever_or_redness already_seen cast_or_worse no_injury reduced_feeling intoxicated pregnant pregnancy_sign fragile_bones blood_thinner
		weak_immunity_or_metal head_hit wound too_swollen_to_press sole_bruise forced_up high_ankle wound_deep heel_cord lateral_malleolus
		medial_malleolus fifth_metatarsal navicular midfoot_press upper_shin`) {
		list[f] = []string{"no", "yes"}
	}
	return list
}()

// somebody draws answers, most of them the mildest.
func somebody(t *rapid.T) map[string]string {
	facts := map[string]string{"in_cast": "no"}
	for _, name := range sorted(keysOf(orders)) {
		if rapid.IntRange(0, 9).Draw(t, name+"?") == 0 {
			facts[name] = rapid.SampledFrom(orders[name]).Draw(t, name)
		} else {
			facts[name] = orders[name][0]
		}
	}
	return facts
}

func keysOf(m map[string][]string) []string {
	var list []string
	for k := range m {
		list = append(list, k)
	}
	return list
}

// Making one answer worse never leads to less.
func TestHAZ04_Monotonic(t *testing.T) {
	f := newFlow(t)
	end := func(facts map[string]string) care.Disposition {
		p := newPerson(t, f, monday, "Europe/Lisbon", facts)
		p.dayZero()
		return p.ep.Disposition
	}
	rapid.Check(t, func(rt *rapid.T) {
		facts := somebody(rt)
		name := rapid.SampledFrom(sorted(keysOf(orders))).Draw(rt, "worse")
		at := slices.Index(orders[name], facts[name])
		if at == len(orders[name])-1 {
			return
		}
		worse := map[string]string{}
		for k, v := range facts {
			worse[k] = v
		}
		worse[name] = rapid.SampledFrom(orders[name][at+1:]).Draw(rt, "to")
		if was, is := end(facts), end(worse); is < was {
			rt.Fatalf("%s from %s to %s: from %s down to %s; the others: %v", name, facts[name], worse[name], was, is, facts)
		}
	})
}

// What the disposition rests on was told, and asks for that disposition.
func TestBecauseNamesOnlyWhatWasTold(t *testing.T) {
	f := newFlow(t)
	rapid.Check(t, func(rt *rapid.T) {
		p := newPerson(t, f, monday, "Europe/Lisbon", somebody(rt))
		p.dayZero()
		line := p.lastDisposition()
		if line.Disposition > care.Home && len(line.Because) == 0 {
			rt.Fatalf("%s because of nothing", line.Disposition)
		}
		for _, name := range line.Because {
			h := p.ep.Rounds[0].Facts.Get(care.Fact(name))
			fact := f.current.Facts[care.Fact(name)]
			if h == nil || fact.Bad() != care.No && slices.Equal(h.Values, []string{care.No}) && fact.To[care.No] == 0 && name != "ride" {
				rt.Fatalf("because of %s, which was answered with %v", name, h)
			}
		}
	})
}

// lives are what a person may do, as typed or pressed.
func (p *person) random(rt *rapid.T) {
	switch act := rapid.SampledFrom([]string{"answer", "answer", "answer", "answer", "back", "back", "start over", "stop", "why", "hide", "words", "sign", "wait"}).Draw(rt, "act"); act {
	case "answer":
		p.facts = somebody(rt)
		if p.ep.Ask == nil {
			p.say("hello there")
			return
		}
		p.answer()
	case "sign":
		p.signed(rapid.SampledFrom([]care.Sign{care.Deformity, care.Wound, care.ChestPain, care.NoFeeling, care.NotSafe}).Draw(rt, "sign"))
	case "wait":
		p.due()
	case "words":
		p.say("blorp")
	default:
		p.say(act)
	}
}

// due lets the next planned item fall due.
func (p *person) due() {
	next := -1
	for i, it := range p.ep.Agenda {
		if it.What != care.DoErase && (next < 0 || it.Due.Before(p.ep.Agenda[next].Due)) {
			next = i
		}
	}
	if next < 0 {
		return
	}
	it := p.ep.Agenda[next]
	if it.Due.After(p.now) {
		p.now = it.Due
	}
	p.step(care.Event{Kind: care.FellDue, Item: it})
}

// Whatever a person does, in whatever order, nothing dangerous is forgotten:
// the disposition and its reasons only grow, and an emergency is closed only
// by having been seen.
func TestHAZ05_AnyOrderOnlyGrows(t *testing.T) {
	f := newFlow(t)
	rapid.Check(t, func(rt *rapid.T) {
		p := newPerson(t, f, monday, "Europe/Lisbon", nil)
		for range rapid.IntRange(5, 60).Draw(rt, "steps") {
			before := p.ep
			p.random(rt)
			if p.ep.Closed {
				return
			}
			grown(rt, before, p.ep)
		}
	})
}

func grown(rt *rapid.T, before, after care.Episode) {
	if after.Disposition < before.Disposition {
		rt.Fatalf("%s: from %s down to %s", before.State, before.Disposition, after.Disposition)
	}
	if before.Open && !after.Open && !strings.HasPrefix(before.State, "seen_check.") {
		rt.Fatalf("%s closed an emergency", before.State)
	}
	for _, r := range before.Reasons {
		if !slices.ContainsFunc(after.Reasons, func(x care.Reason) bool { return x.Row == r.Row && x.To == r.To }) {
			rt.Fatalf("%s: the reason %s is gone", before.State, r.Row)
		}
	}
}

// A step is a function: the same in gives the same out, and what comes in is
// left as it was.
func TestStepIsPure(t *testing.T) {
	f := newFlow(t)
	written := func(v any) string {
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	rapid.Check(t, func(rt *rapid.T) {
		p := newPerson(t, f, monday, "Europe/Lisbon", nil)
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			before := p.ep
			was := written(before)
			p.random(rt)
			if written(before) != was {
				rt.Fatalf("a step changed what came in, in %s", before.State)
			}
			if p.ep.Closed {
				return
			}
		}
		ev := care.Event{ID: "twice", Kind: care.Said, Text: rapid.SampledFrom([]string{"no", "yes", "7", "back", "stop", "start over", "delete my data"}).Draw(rt, "twice")}
		a, err1 := f.Step(p.ep, ev, care.Finding{}, p.now)
		b, err2 := f.Step(p.ep, ev, care.Finding{}, p.now)
		if (err1 == nil) != (err2 == nil) || written(a) != written(b) {
			rt.Fatalf("%q twice in %s: %s %v, then %s %v", ev.Text, p.ep.State, written(a), err1, written(b), err2)
		}
	})
}
