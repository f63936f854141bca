package flow

import (
	"slices"
	"testing"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// Every combination of how somebody was at entry, at the check before and now,
// against the rule written down once more: two points or thirty in a hundred
// (Farrar 2001, Pain 94:149-58), and walking and swelling beside it (common
// practice, no single source). The walk over all states leaves these
// combinations to this test.
func TestImprovedInEveryCombination(t *testing.T) {
	all, err := protocol.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	rows := all[0].Check
	walks, swells := []string{"normal", "limp", "few_steps", "none", care.Unsure}, []string{"none", "some", "large", care.Unsure}
	n := 0
	for p0 := noPain; p0 <= 10; p0++ {
		for p := noPain; p <= 10; p++ {
			for _, w0 := range walks {
				for _, w := range walks {
					for _, s0 := range swells {
						for _, s := range swells {
							for _, o := range []string{"better", "same", "worse", care.Unsure} {
								for _, free := range []bool{false, true} {
									c := Comparison{
										Entry:  Standing{Pain: p0, Walking: w0, Swelling: "none", Asked: true},
										Before: Standing{Pain: p0, Walking: w0, Swelling: s0, Asked: true},
										Now:    Standing{Pain: p, Walking: w, Swelling: s, Overall: o, Asked: true}, FreeSwelling: free,
									}
									n++
									if got, want := c.Improved(rows), improvedByText(p0, p, w0, w, s0, s, o, free); got != want {
										t.Fatalf("%+v: improved %t, want %t", c, got, want)
									}
									if got, want := c.worse(rows), worseByText(p0, p0, p, o); got != want {
										t.Fatalf("%+v: worse %t, want %t", c, got, want)
									}
								}
							}
						}
					}
				}
			}
		}
	}
	t.Logf("%d combinations", n)
}

// improvedByText is the rule as the clinic's text has it. An unknown now counts
// as 10, none and large; an unknown earlier walking as normal and swelling as
// none, so that an unknown never proves anything better.
func improvedByText(p0, p int, w0, w, s0, s, overall string, free bool) bool {
	walk := func(v string, unknown int) int {
		return rankOf([]string{"normal", "limp", "few_steps", "none"}, v, unknown)
	}
	swell := func(v string, unknown int) int { return rankOf([]string{"none", "some", "large"}, v, unknown) }
	if p == noPain {
		p = 10
	}
	notWorse := overall == "better" || overall == "same"
	notWorse = notWorse && walk(w, 3) <= walk(w0, 0)
	notWorse = notWorse && (free || swell(s, 2) <= swell(s0, 0))
	betterWalk := walk(w, 3) < walk(w0, 0) || w == "normal"
	if p0 >= 3 {
		return notWorse && (p0-p >= 2 || 10*(p0-p) >= 3*p0 || overall == "better" && betterWalk)
	}
	return notWorse && (betterWalk || swell(s, 2) < swell(s0, 0))
}

// worseByText is row c: two points up since entry or since the check before,
// or worse overall; not sure counts as worse.
func worseByText(p0, pp, p int, overall string) bool {
	if p == noPain {
		p = 10
	}
	up := func(from int) bool { return from != noPain && p-from >= 2 }
	return up(p0) || up(pp) || overall == "worse" || overall == care.Unsure
}

func rankOf(order []string, v string, unknown int) int {
	if i := slices.Index(order, v); i >= 0 {
		return i
	}
	return unknown
}

// The worked values of the rule (7 to 5, 4 to 3, 3 to 2, 10 to 8, 6 to 6, 5 to
// 7, 8 to 5, 2 to 1, 0 to 3), walking and swelling as before. Source of the
// threshold: Farrar 2001, Pain 94:149-58; acute pain changes that patients call
// relevant lie below two points (Kendrick 2005: 1.39; 1.65 in 2020).
func TestWorkedValuesOfImproved(t *testing.T) {
	all, err := protocol.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	rows := all[0].Check
	for _, v := range []struct {
		before, now            int
		improved, worse, still bool
	}{
		{7, 5, true, false, false},
		{4, 3, false, false, false},
		{3, 2, true, false, false},
		{10, 8, true, false, true},
		{6, 6, false, false, false},
		{5, 7, false, true, true},
		{8, 5, true, false, false},
		{2, 1, false, false, false},
		{0, 3, false, true, false},
	} {
		was := Standing{Pain: v.before, Walking: "limp", Swelling: "some", Asked: true}
		c := Comparison{Entry: was, Before: was, Now: Standing{Pain: v.now, Walking: "limp", Swelling: "some", Overall: "same", Asked: true}}
		if got := c.Improved(rows); got != v.improved {
			t.Errorf("%d to %d: improved %t", v.before, v.now, got)
		}
		if got := c.worse(rows); got != v.worse {
			t.Errorf("%d to %d: worse %t", v.before, v.now, got)
		}
		if got := c.now() >= rows.StillStrongFrom; got != v.still {
			t.Errorf("%d to %d: still strong %t", v.before, v.now, got)
		}
	}
}
