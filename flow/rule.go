package flow

import (
	"slices"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// The answers of the published rule.
const (
	RulePositive      = "positive"
	RuleNegative      = "negative"
	RuleNotApplicable = "not_applicable"
)

// rule works out the pure published rule, which is stored beside the
// disposition for audit. Nothing branches on it.
func (t *turn) rule() map[string]string {
	out := map[string]string{}
	if len(t.ep.Rounds) == 0 {
		return out
	}
	v := t.viewOf(0)
	applies := t.ep.Rounds[0].Done
	if applies {
		off, _ := t.p.Rules.NotApplicable.Holds(t.p.Protocol, v)
		applies = !off
	}
	for _, r := range t.p.Rules.Rules {
		switch {
		case !applies:
			out[r.Name] = RuleNotApplicable
		case t.positive(r, v):
			out[r.Name] = RulePositive
		default:
			out[r.Name] = RuleNegative
		}
	}
	return out
}

// positive uses the later answer of each fact; an unknown that could make a
// criterion true makes it true.
func (t *turn) positive(r protocol.Rule, v *view) bool {
	if ok, _ := r.Needs.Holds(t.p.Protocol, v); !ok {
		return false
	}
	for _, f := range r.Any {
		if a := v.latest(f); a == care.Yes || a == care.Unsure {
			return true
		}
	}
	if len(r.BothNo) == 0 {
		return false
	}
	return !slices.ContainsFunc(r.BothNo, func(f care.Fact) bool { return t.reading(f, v) == care.Yes })
}

// reading is the rule's reading of a fact: its answer, or what another fact
// stands in for where it was not asked.
func (t *turn) reading(f care.Fact, v *view) string {
	if a := v.latest(f); a != "" {
		return a
	}
	in := t.p.Rules.Instead
	if f != in.Fact {
		return ""
	}
	by := v.latest(in.By)
	switch {
	case slices.Contains(in.Yes, by):
		return care.Yes
	case slices.Contains(in.No, by):
		return care.No
	default:
		return ""
	}
}
