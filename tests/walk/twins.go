package walk

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"

	"turnstone/care"
)

// A pair is an episode that stands for a state, and another that was merged
// into it. If the key is right, nothing that may happen tells them apart.
type pair struct {
	first, second *node
	parent        int
	label         string
}

// most bounds how many pairs are kept.
const mostTwins = 20_000

func chosen(key string, oneIn int) bool {
	if oneIn == 0 {
		return false
	}
	h := fnv.New32a()
	h.Write([]byte(key))
	return h.Sum32()%uint32(oneIn) == 0
}

func (r *run) firstOf(n *node, key string) {
	if chosen(key, r.cfg.Twins) && len(r.twins) < mostTwins {
		kept := *n
		r.twins[key] = &pair{first: &kept, parent: -1}
	}
}

func (r *run) pairUp(o outcome) {
	p := r.twins[o.key]
	if p == nil || p.second != nil || sameAnswers(&p.first.ep, &o.to.ep) {
		return
	}
	p.second, p.label = o.to, o.label
}

func sameAnswers(a, b *care.Episode) bool {
	x, err1 := json.Marshal(a.Rounds)
	y, err2 := json.Marshal(b.Rounds)
	return err1 == nil && err2 == nil && string(x) == string(y)
}

// compareTwins leads every pair through every event side by side.
func (r *run) compareTwins() {
	for _, p := range r.twins {
		if p.second == nil {
			continue
		}
		r.report.Twins++
		r.w.alignEntry(p)
		if why := r.w.differ(p, r.cfg); why != "" {
			r.violate(Violation{Rule: NotEqual, Place: p.first.ep.State, Text: why, Path: append(r.path(p.first.id), "merged with one by "+p.label)})
		}
	}
}

// alignEntry gives the second the first's pain, walking and swelling of rounds
// that are over: what checks make of those is enumerated elsewhere, and the
// key leaves them out.
func (w *World) alignEntry(p *pair) {
	first, second := &p.first.ep, &p.second.ep
	second.Rounds = slices.Clone(second.Rounds)
	for i := range second.Rounds {
		if i >= len(first.Rounds) || first.Rounds[i].Talk != second.Rounds[i].Talk {
			return
		}
		if over := i != first.Round && i != second.Round || first.Rounds[i].Done && second.Rounds[i].Done; !over {
			continue
		}
		base := w.P.Roles.Baselines()
		facts := slices.DeleteFunc(slices.Clone(second.Rounds[i].Facts), func(h *care.Held) bool { return slices.Contains(base, h.Fact) })
		for _, f := range base {
			if h := first.Rounds[i].Facts.Get(f); h != nil {
				facts = append(facts, h)
			}
		}
		second.Rounds[i].Facts = facts
	}
}

// differ says where two merged episodes go different ways.
func (w *World) differ(p *pair, cfg *Config) string {
	all := *cfg
	all.Full = true
	second := map[string]outcome{}
	for _, o := range w.expand(p.second, &all) {
		if o.kind != 0 {
			second[o.label] = o
		}
	}
	for _, o := range w.expand(p.first, &all) {
		if o.kind == 0 || o.spends.overs > 0 {
			continue
		}
		other, ok := second[o.label]
		switch {
		case !ok:
			return "only one can " + o.label
		case o.key != other.key:
			return fmt.Sprintf("%s leads to\n      %s\n      %s", o.label, o.key, other.key)
		case o.after != other.after:
			return fmt.Sprintf("%s leads to %s and %s", o.label, o.after, other.after)
		}
	}
	return ""
}
