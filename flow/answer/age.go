package answer

import (
	"math"
	"time"
)

// maxAge is the highest age that is believed.
const maxAge = 120

// age reads completed years at the moment at. Babies are 0; decades, spans and
// classes ("adult") are no answer.
func (l *language) age(ts []token, at time.Time) (string, verdict) {
	answers := labelled("#", "fixed", "unit")
	all := l.found("age", ts)
	ms, withdrawn := settle(all, ts, labelled("#", "fixed"))
	if withdrawn {
		return "", rejected
	}
	a := ager{l: l, ts: ts, ms: ms, at: at}
	if have(ms, "born") {
		return a.fromBirth()
	}
	var own, theirs []float64
	person := ""
	for i := 0; i < len(ms); i++ {
		if ms[i].with("self", "them") {
			person = ms[i].label
		}
		if !answers(ms[i]) {
			continue
		}
		v, n, ok := a.ageAt(i)
		i += max(n, 1) - 1
		switch {
		case !ok:
		case person == "them":
			theirs = append(theirs, v)
		default:
			own = append(own, v)
		}
	}
	if len(theirs) > 0 {
		own = theirs
	}
	return a.decide(own, have(all, "#", "ask", "pass", "span", "class"))
}

type ager struct {
	l  *language
	ts []token
	ms []mark
	at time.Time
}

// decide takes the one age that was said; two that differ are none.
func (a ager) decide(ages []float64, seen bool) (string, verdict) {
	for _, v := range ages {
		if v != ages[0] {
			return "", rejected
		}
	}
	switch {
	case len(ages) > 0 && !have(a.ms, "span"):
		return whole(ages[0]), read
	case seen:
		return "", rejected
	}
	return "", nothing
}

// ageAt reads the age that begins with mark i, and how many marks it takes.
func (a ager) ageAt(i int) (years float64, n int, ok bool) {
	m := a.ms[i]
	switch m.label {
	case "fixed":
		n = 1
		if i+2 < len(a.ms) && a.ms[i+1].label == "#" && a.ms[i+2].label == "unit" && a.ms[i+2].value != "year" {
			n = 3 // "a year and three months"
		}
		return numberToken(m.value).num, n, true
	case "unit":
		return 0, 1, false
	}
	v := a.ts[m.from].num
	unit := "year"
	n = 1
	if i+1 < len(a.ms) && a.ms[i+1].label == "unit" && a.ms[i+1].from-m.to <= 1 {
		unit, n = a.ms[i+1].value, 2
	}
	switch unit {
	case "month":
		return math.Floor(v / 12), n, v/12 <= maxAge
	case "week":
		return math.Floor(v / 52), n, v/52 <= maxAge
	case "day":
		return math.Floor(v / 365), n, v/365 <= maxAge
	case "none":
		return 0, n, false
	}
	if k := i + n; k+1 < len(a.ms) && a.ms[k].label == "#" && a.ms[k+1].label == "unit" && a.ms[k+1].value != "year" {
		n += 2 // "a year and three months"
	}
	return a.completed(i, v), n, v <= maxAge && !a.decade(i, v)
}

// completed takes one year off where the birthday is still to come.
func (a ager) completed(i int, v float64) float64 {
	whole := math.Floor(v)
	for k := max(0, i-3); k < min(len(a.ms), i+4); k++ {
		switch a.ms[k].label {
		case "today", "done":
			return whole
		case "soon":
			if k < i && !have(a.ms[k:i], "#") || k > i && !have(a.ms[i+1:], "#") {
				if !have(a.ms, "today", "done") && whole > 0 {
					return whole - 1
				}
			}
		}
	}
	return whole
}

// decade reports whether a number tells no more than a decade: "30s", "about 40".
func (a ager) decade(i int, v float64) bool {
	round := math.Mod(v, 10) == 0 && v >= 10
	return round && have(a.ms[max(0, i-1):min(len(a.ms), i+2)], "about")
}

// fromBirth reads an age from the year of birth, and from month and day where
// they are said.
func (a ager) fromBirth() (string, verdict) {
	d := dates(a.l, a.ts, a.at)
	if d.year == 0 {
		for _, m := range a.ms {
			if v := a.ts[m.from].num; m.label == "#" && a.ts[m.from].digit && v < 100 && v == math.Trunc(v) && v != float64(d.day) {
				d.year = 1900 + int(v)
				if d.year+100 <= a.at.Year() {
					d.year += 100
				}
			}
		}
	}
	if d.year == 0 {
		return "", rejected
	}
	years := a.at.Year() - d.year
	if d.month != 0 {
		day := max(d.day, 1)
		if int(a.at.Month()) < d.month || (int(a.at.Month()) == d.month && a.at.Day() < day) {
			years--
		}
	}
	if years < 0 || years > maxAge {
		return "", rejected
	}
	return whole(float64(years)), read
}
