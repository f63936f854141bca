package flow

import (
	"math"
	"testing"
	"time"

	"turnstone/care"
)

// The published rule and the product's stricter policy, side by side.
// Criteria: Stiell 1993, JAMA 269:1127-32 (refined rules) and Stiell 1992, Ann
// Emerg Med 21:384-90 ("unable both at once and now"). Late presenters: Emerg
// Med J 2022;39:258. 65 and over: Murphy 2020, J Foot Ankle Surg 59:286-90.
// The policy is ours; it takes either walking answer alone.
func TestTruthTableOfTheAnkleRules(t *testing.T) {
	f := newFlow(t)
	for _, v := range []struct {
		id          string
		facts       map[string]string
		ankle, foot string
		policy      care.Disposition
	}{
		{"V01", nil, "negative", "negative", care.Home},
		{"V02", m("lateral_malleolus", "yes"), "positive", "negative", care.SameDay},
		{"V03", m("medial_malleolus", "yes"), "positive", "negative", care.SameDay},
		{"V04", m("four_steps_then", "no", "walking", "none"), "positive", "negative", care.SameDay},
		{"V05", m("four_steps_then", "no", "walking", "limp"), "negative", "negative", care.SameDay},
		{"V06", m("walking", "none"), "negative", "negative", care.SameDay},
		{"V07", m("where_it_hurts", "midfoot", "fifth_metatarsal", "yes"), "negative", "positive", care.SameDay},
		{"V08", m("where_it_hurts", "midfoot", "navicular", "yes"), "negative", "positive", care.SameDay},
		{"V09", m("where_it_hurts", "midfoot", "four_steps_then", "no", "walking", "none"), "negative", "positive", care.SameDay},
		{"V10", m("where_it_hurts", "midfoot", "midfoot_press", "yes"), "negative", "negative", care.SameDay},
		{"V11", m("where_it_hurts", "ankle,midfoot", "lateral_malleolus", "yes", "navicular", "yes"), "positive", "positive", care.SameDay},
		{"V12", m("where_it_hurts", "toes", "fifth_metatarsal", "yes"), "negative", "negative", care.SameDay},
		{"V13", m("where_it_hurts", "heel", "four_steps_then", "no", "walking", "none"), "negative", "negative", care.SameDay},
		{"V14", m("lateral_malleolus", "unsure"), "positive", "negative", care.SameDay},
		{"V15", m("four_steps_then", "unsure", "walking", "none"), "positive", "negative", care.SameDay},
		{"V16", m("injured_at", "P12D"), "not_applicable", "not_applicable", care.SameDay},
		{"V16 walking normally", m("injured_at", "P12D", "walking", "normal"), "not_applicable", "not_applicable", care.Clinician},
		{"V17", m("age_years", "4"), "not_applicable", "not_applicable", care.SameDay},
		{"V18", m("age_years", "70"), "negative", "negative", care.SameDay},
		{"V19", m("reduced_feeling", "yes"), "not_applicable", "not_applicable", care.SameDay},
		{"V20", m("upper_shin", "yes"), "negative", "negative", care.SameDay},
		{"V21", m("four_steps_then", "unsure", "walking", "limp"), "negative", "negative", care.SameDay},
		{"V22", m("four_steps_then", "no", "walking", "few_steps"), "positive", "negative", care.SameDay},
	} {
		p := newPerson(t, f, monday, "Europe/Lisbon", v.facts)
		p.dayZero()
		last := p.lastDisposition()
		if last.Rule["ankle"] != v.ankle || last.Rule["foot"] != v.foot || last.Disposition != v.policy {
			t.Errorf("%s: ankle %s, foot %s, %s; want %s, %s, %s", v.id, last.Rule["ankle"], last.Rule["foot"], last.Disposition, v.ankle, v.foot, v.policy)
		}
	}
}

func m(pairs ...string) map[string]string {
	facts := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		facts[pairs[i]] = pairs[i+1]
	}
	return facts
}

func (p *person) lastDisposition() care.Line {
	var last care.Line
	for _, l := range p.log {
		if l.Type == care.LineDisposition {
			last = l
		}
	}
	return last
}

// Ages and days at which something changes: 17/18 and 64/65 (Stiell 1993;
// Murphy 2020), 9/10 days (Emerg Med J 2022;39:258).
func TestBoundariesOfTheRules(t *testing.T) {
	f := newFlow(t)
	for _, b := range []struct {
		facts map[string]string
		want  care.Disposition
		rule  string
	}{
		{m("age_years", "17", "walking", "normal"), care.Clinician, "negative"},
		{m("age_years", "18"), care.Home, "negative"},
		{m("age_years", "64"), care.Home, "negative"},
		{m("age_years", "65"), care.SameDay, "negative"},
		{m("injured_at", "P9D", "overall", "better", "walking", "normal"), care.Home, "negative"},
		{m("injured_at", "P10D", "overall", "better", "walking", "normal"), care.Clinician, "not_applicable"},
	} {
		p := newPerson(t, f, monday, "Europe/Lisbon", b.facts)
		p.dayZero()
		if last := p.lastDisposition(); last.Disposition != b.want || last.Rule["ankle"] != b.rule {
			t.Errorf("%v: %s, rule %s; want %s, %s", b.facts, last.Disposition, last.Rule["ankle"], b.want, b.rule)
		}
	}
}

// Worked values of both formulas and the grip: Bauer 1991, Phys Ther
// 71:294-300 (0.77 of the height; height less 16 inches); Kumar 1995, Arch Phys
// Med Rehabil 76:1173-5 (0.45 h + 0.087 m, the body text; the abstract's 0.87 m
// is a misprint). 1 in = 2.54 cm by definition.
func TestCrutchLengthsByBothFormulas(t *testing.T) {
	for _, c := range []struct{ height, share, less, grip float64 }{
		{150, 115.5, 109.36, 76.2},
		{160, 123.2, 119.36, 80.7},
		{170, 130.9, 129.36, 85.2},
		{180, 138.6, 139.36, 89.7},
		{190, 146.3, 149.36, 94.2},
		{60 * inch, 46.20 * inch, 44 * inch, 77.28},
		{70 * inch, 53.90 * inch, 54 * inch, 88.71},
		{76 * inch, 58.52 * inch, 60 * inch, 95.57},
	} {
		if a := CrutchByShare(c.height); math.Abs(a-c.share) > 0.05 {
			t.Errorf("%.1f cm: %.2f by share, want %.2f", c.height, a, c.share)
		}
		if b := CrutchByDifference(c.height); math.Abs(b-c.less) > 0.05 {
			t.Errorf("%.1f cm: %.2f by difference, want %.2f", c.height, b, c.less)
		}
		if g := GripHeight(c.height); math.Abs(g-c.grip) > 0.05 {
			t.Errorf("%.1f cm: grip %.2f, want %.2f", c.height, g, c.grip)
		}
	}
	const agree = 176.70 // cm: both formulas give the same (computed from the two)
	if d := CrutchByShare(agree) - CrutchByDifference(agree); math.Abs(d) > 0.05 {
		t.Errorf("at %.2f cm the formulas differ by %.3f", agree, d)
	}
}

// Both lengths are shown where they differ by more than 2 cm, one elsewhere.
func TestCrutchSizesAreShownBothWhereTheyDiffer(t *testing.T) {
	f := newFlow(t)
	for height, both := range map[string]bool{"150 cm": true, "160 cm": true, "170 cm": false, "180 cm": false, "190 cm": true, "5'10": false, "6'3": true} {
		p := newPerson(t, f, monday, "Europe/Lisbon", m("navicular", "yes"))
		p.dayZero()
		p.choose("crutches")
		p.choose("no")
		p.n++
		ch, err := f.Step(p.ep, care.Event{ID: "h", Kind: care.Said, Text: height}, care.Finding{}, p.now)
		if err != nil {
			t.Fatal(err)
		}
		key := ""
		for _, it := range ch.Episode.Agenda {
			if it.What == care.DoSay {
				for _, s := range it.Say.Lines {
					if len(s.Args) > 3 {
						key = string(s.Key)
					}
				}
			}
		}
		if want := map[bool]string{true: "say.crutch_size", false: "say.crutch_size.one"}[both]; key != want {
			t.Errorf("%s: %q, want %q", height, key, want)
		}
	}
}

// A plain sprain takes at most 24 answers; an ambulance sign ends the
// questions after the first.
func TestAPlainSprainIsShort(t *testing.T) {
	p := newPerson(t, newFlow(t), monday, "Europe/Lisbon", nil)
	n := 0
	for ; p.ep.Disposition == 0; n++ {
		p.answer()
	}
	if n > 24 || p.ep.Disposition != care.Home {
		t.Errorf("%d answers to %s", n, p.ep.Disposition)
	}
	q := newPerson(t, newFlow(t), monday, "Europe/Lisbon", m("collapsed", "yes"))
	q.answer()
	if q.ep.State != "emergency.ride" {
		t.Errorf("after the first answer: %s", q.ep.State)
	}
}

// Every zone of the embedded data, around both changes of its clocks in 2026
// and 2027: against a plain walk, minute by minute.
func TestHAZ13_AllZonesAllTransitions(t *testing.T) {
	f := newFlow(t)
	night := f.current.Follow.Night
	n := 0
	for _, name := range zones(t) {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
		for {
			_, change := at.In(zone).ZoneBounds()
			if change.IsZero() || change.Year() > 2027 {
				break
			}
			for due := change.Add(-26 * time.Hour); due.Before(change.Add(26 * time.Hour)); due = due.Add(113 * time.Minute) {
				n++
				if got, want := firstAllowed(due, zone, night), walkOutOfNight(due, zone); !got.Equal(want) {
					t.Fatalf("%s: %s is moved to %s, want %s", name, due.In(zone), got.In(zone), want.In(zone))
				}
			}
			at = change
		}
	}
	if n < 5000 {
		t.Errorf("only %d moments tried", n)
	}
}

// walkOutOfNight is the rule in the plainest way: a minute at a time, at most
// twelve hours; night is from 21:00 to before 08:00.
func walkOutOfNight(due time.Time, zone *time.Location) time.Time {
	at := due
	for range 12 * 60 {
		if h := at.In(zone).Hour(); h >= 8 && h < 21 {
			return at
		}
		at = at.Truncate(time.Minute).Add(time.Minute)
	}
	return due.Add(12 * time.Hour)
}
