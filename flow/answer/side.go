package answer

// side reads left, right or both. A side that is denied or called the good one
// leaves the other.
func (l *language) side(ts []token) (string, verdict) {
	answers := labelled("left", "right", "both")
	all := l.found("side", ts)
	ms, withdrawn := settleWords(all, ts, answers)
	if withdrawn {
		return "", rejected
	}
	part := parts(ms, ts)
	said, denied := map[string]bool{}, map[string]bool{}
	for i, m := range ms {
		switch {
		case !answers(m):
		case deniedSide(ms, part, i):
			denied[m.label] = true
		default:
			said[m.label] = true
		}
	}
	return sideOf(said, denied, ms, have(all, "ask", "pass"))
}

// deniedSide reports whether the side at i stands behind a negation, or before
// or behind words for the good one in its own part.
func deniedSide(ms []mark, part []int, i int) bool {
	if i > 0 && ms[i-1].label == "not" && ms[i].from-ms[i-1].to <= 1 {
		return true
	}
	for k, m := range ms {
		if part[m.from] != part[ms[i].from] {
			continue
		}
		if m.label == "fine" && (k < i || k == i+1) {
			return true
		}
	}
	return false
}

func sideOf(said, denied map[string]bool, ms []mark, asked bool) (string, verdict) {
	pair := said["left"] && said["right"]
	switch {
	case said["both"], pair && !have(ms, "or"):
		return "both", read
	case pair:
		return "", rejected
	case said["left"]:
		return "left", read
	case said["right"]:
		return "right", read
	case denied["left"] && !denied["right"]:
		return "right", read
	case denied["right"] && !denied["left"]:
		return "left", read
	case len(denied) > 0 || asked:
		return "", rejected
	}
	return "", nothing
}
