package flow

import (
	"iter"
	"slices"
	"strconv"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// A view is how conditions read an episode: through these few methods and
// nothing else, so that what a decision rests on can be recorded.
type view struct {
	t     *turn
	round int // the only round that counts, or everyRound
}

const everyRound = -1

// view looks at every round; what was ever told counts.
func (t *turn) view() *view {
	t.every = view{t, everyRound} // kept with the turn: it is asked for often
	return &t.every
}

// viewOf looks at one round: a combination must be told together.
func (t *turn) viewOf(round int) *view { return &view{t, round} }

// read is the one accessor: every look at a fact comes by here. It goes from
// the latest answer back to the first.
func (v *view) read(f care.Fact) iter.Seq[*care.Held] {
	return func(yield func(*care.Held) bool) {
		if v.t.f.set.Watch != nil {
			v.t.f.set.Watch(v.t.ep.State, f)
		}
		for i, r := range slices.Backward(v.t.ep.Rounds) {
			if v.round != everyRound && v.round != i {
				continue
			}
			if h := r.Facts.Get(f); h != nil && len(h.Values) > 0 && !yield(h) {
				return
			}
		}
	}
}

// Holds reports whether any answer ever given to f is or includes value.
func (v *view) Holds(f care.Fact, value string) bool {
	if f == v.t.p.Roles.Region && value == "unknown" {
		return v.t.ep.Region == ""
	}
	fact := v.t.p.Facts[f]
	for h := range v.read(f) {
		for _, held := range h.Values {
			if matches(fact, held, value) {
				return true
			}
		}
	}
	return false
}

// matches compares a held answer with a value of a condition: a number with
// its band, one of several choices, or the word itself.
func matches(f *protocol.Fact, held, value string) bool {
	if held == value {
		return true
	}
	if f.Kind == care.Scale {
		n, err := strconv.Atoi(held)
		if err != nil {
			return false
		}
		band, _ := f.Band(float64(n))
		return band == value
	}
	return f.Kind == care.Several && slices.Contains(strings.Split(held, ","), value)
}

// Answered reports whether f has an answer.
func (v *view) Answered(f care.Fact) bool {
	for range v.read(f) {
		return true
	}
	return false
}

// Doubt reports whether an answer to f alone was not sure, skipped or
// unreadable. A group that was not sure is no answer to each of its facts.
func (v *view) Doubt(f care.Fact) bool {
	fact := v.t.p.Facts[f]
	for h := range v.read(f) {
		if !h.Grouped && (h.Doubted || slices.Contains(h.Values, care.Unsure) || fact.Unread != "" && slices.Contains(h.Values, fact.Unread) && h.Skipped) {
			return true
		}
	}
	return false
}

// Reached is the disposition in force and the facts that it rests on.
func (v *view) Reached() (care.Disposition, []care.Fact) {
	var facts []care.Fact
	for _, n := range v.t.ep.Because() {
		facts = append(facts, care.Fact(n))
	}
	return v.t.ep.Disposition, facts
}

// Worse reports row c of a check: pain rose, or overall worse.
func (v *view) Worse() bool {
	c := v.t.checkNow()
	return c.worse(v.t.p.Check)
}

// latest is the last answer to f, of whatever round.
func (v *view) latest(f care.Fact) string {
	for h := range v.read(f) {
		return h.Latest()
	}
	return ""
}

// on reports yes or not sure.
func (v *view) on(f care.Fact) bool { return v.Holds(f, care.Yes) || v.Holds(f, care.Unsure) }
