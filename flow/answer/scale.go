package answer

import "math"

// scale reads 0 to 10. Halves round up; of several numbers the highest counts
// (a range's upper end, walking against rest), of then and now the present.
func (l *language) scale(ts []token) (string, verdict) {
	answers := labelled("#", "zero", "over")
	all := l.found("scale", ts)
	ms, withdrawn := settle(all, ts, answers)
	if withdrawn {
		return "", rejected
	}
	best, hard, odd := -1.0, false, false
	for i, m := range ms {
		v, ok, ten := scaleValue(ms, ts, i)
		odd = odd || !ok && m.label == "#"
		switch t := ts[m.from]; {
		case !ok || (t.soft && hard && !ten):
		case m.label == "#" && !t.soft && !hard:
			best, hard = v, true
		default:
			best = max(best, v)
		}
	}
	switch {
	case best >= 0:
		return whole(math.Floor(best + 0.5)), read
	case odd || have(all, "ask", "pass"):
		return "", rejected
	}
	return "", nothing
}

// scaleValue reads one mark. ten means that the number said what it is out of.
func scaleValue(ms []mark, ts []token, i int) (v float64, ok, ten bool) {
	m := ms[i]
	switch m.label {
	case "zero":
		return 0, true, false
	case "over":
		return 10, i == 0 || ms[i-1].label != "#" || ms[i-1].to != m.from, true // "four over ten"
	case "#":
	default:
		return 0, false, false
	}
	ten = i+1 < len(ms) && ms[i+1].with("frame", "over") && ms[i+1].from == m.to
	if t := ts[m.from]; t.soft && !ten && m.to < len(ts) && !ts[m.to].ends() {
		return 0, false, false // "un dolor"
	}
	v = ts[m.from].num
	if m.from > 0 && ts[m.from-1].word == "-" && (m.from == 1 || !ts[m.from-2].isNum) && ts[m.from].glued {
		return 0, false, false // below zero
	}
	if i > 0 && ms[i-1].label == "not" && ms[i-1].to == m.from {
		return 0, false, false
	}
	if ten && v > 10 {
		v = 10
	}
	if v > 10 && m.to < len(ts) && ts[m.to].word == "+" {
		return 0, false, false
	}
	return v, v <= 10, ten
}
