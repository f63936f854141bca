package walk

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// A liveness knows, for every place of a protocol, which conditions are still
// to come and which facts can still be answered.
type liveness struct {
	p       *protocol.Protocol
	at      map[string]spot
	first   [][]protocol.Cond  // the conditions of the first talk from each screen on
	later   []protocol.Cond    // the conditions of every talk but the first: they may always come
	always  map[care.Fact]bool // facts of those talks, and facts that a typed sign answers
	looks   map[string]map[care.Fact]bool
	anytime map[care.Fact]bool
	telling map[care.Fact]bool // facts that a row or a screen's condition asks for, and dangers
}

// A spot is a screen of a talk.
type spot struct {
	talk  *protocol.Talk
	index int
}

func newLiveness(p *protocol.Protocol) *liveness {
	k := &liveness{p: p, at: map[string]spot{}, always: map[care.Fact]bool{}, looks: map[string]map[care.Fact]bool{}, anytime: map[care.Fact]bool{}, telling: map[care.Fact]bool{}}
	for _, f := range p.BySign {
		k.always[f] = true
	}
	k.readAnytime()
	k.readTelling()
	for _, name := range p.TalkSeq {
		t := p.Talks[name]
		for i, s := range t.Screens {
			k.at[name+"."+s.Name] = spot{t, i}
			k.lookAt(name, s)
			if t.Kind == protocol.First {
				continue
			}
			k.later = append(k.later, s.Only, s.Unless)
			for _, f := range s.Facts {
				k.always[f] = true
			}
		}
		if t.Kind == protocol.First {
			k.first = ahead(t)
		}
	}
	k.later = distinct(k.later)
	return k
}

// ahead lists, for each screen of a talk, the conditions from there on.
func ahead(t *protocol.Talk) [][]protocol.Cond {
	list := make([][]protocol.Cond, len(t.Screens))
	for i := range t.Screens {
		for _, s := range t.Screens[i:] {
			list[i] = append(list[i], s.Only, s.Unless)
		}
		list[i] = distinct(list[i])
	}
	return list
}

// readAnytime collects the facts that a step may look at wherever it stands:
// the raising rows, each fact's own row, the roles, and what only chooses words
// (the published rule, the X-ray series).
func (k *liveness) readAnytime() {
	p := k.p
	ro := p.Roles
	facts := []care.Fact{ro.Region, ro.Age, ro.Adult, ro.Consent, ro.DayZero, ro.Ride, ro.Seen, ro.Xray, ro.Height, ro.SafeTime, ro.Overall}
	facts = append(facts, ro.Baselines()...)
	for name, f := range p.Facts {
		if len(f.To) > 0 {
			facts = append(facts, name)
		}
	}
	for _, row := range p.Raise {
		facts = append(append(facts, row.When.Reads()...), row.Names...)
	}
	facts = append(facts, p.Rules.NotApplicable.Reads()...)
	facts = append(facts, p.Rules.Instead.Fact, p.Rules.Instead.By)
	for _, r := range p.Rules.Rules {
		facts = append(append(append(facts, r.Needs.Reads()...), r.Any...), r.BothNo...)
	}
	for _, c := range p.Series {
		facts = append(facts, c.Reads()...)
	}
	for _, f := range facts {
		k.anytime[f] = true
	}
}

func (k *liveness) readTelling() {
	var facts []care.Fact
	for name, f := range k.p.Facts {
		if f.Danger {
			facts = append(facts, name)
		}
	}
	for _, row := range k.p.Raise {
		facts = append(facts, row.When.Reads()...)
	}
	for _, t := range k.p.Talks {
		for _, s := range t.Screens {
			facts = append(append(facts, s.Only.Reads()...), s.Unless.Reads()...)
		}
	}
	for _, f := range facts {
		k.telling[f] = !slices.Contains([]care.Fact{k.p.Roles.Overall, k.p.Roles.Seen}, f)
	}
}

// lookAt notes what the junction before a screen may look at: the screen's own
// conditions and nothing else.
func (k *liveness) lookAt(talk string, s protocol.Screen) {
	looks := map[care.Fact]bool{}
	for _, f := range append(s.Only.Reads(), s.Unless.Reads()...) {
		looks[f] = true
	}
	if hasWorse(s.Only) {
		looks[k.p.Roles.Xray] = true
	}
	if s.Given != nil {
		looks[s.Given.Fact] = true
		for f := range k.anytime { // what is settled there is judged there
			looks[f] = true
		}
	}
	k.looks[talk+".?"+s.Name] = looks
}

func hasWorse(c protocol.Cond) bool {
	return c.Op == protocol.Worse || slices.ContainsFunc(c.Of, hasWorse)
}

// declared reports whether the protocol lets a step look at f in state.
func (k *liveness) declared(state string, f care.Fact) bool {
	if looks, junction := k.looks[state]; junction {
		return looks[f]
	}
	if k.anytime[f] || k.p.Facts[f] == nil {
		return true // a reason that is no fact has its words looked up by name
	}
	s, ok := k.at[state]
	return ok && s.talk.Screens[s.index].Say != "" // further lines of something to read
}

// from is the first screen of the first talk whose conditions can still
// matter: the open one, or one that going back reaches.
func (k *liveness) from(ep *care.Episode, backs int) (spot, bool) {
	s, asking := k.at[ep.State]
	if !asking || s.talk.Kind != protocol.First {
		return spot{}, false
	}
	if n := min(backs, len(ep.Trail)); n > 0 {
		s = k.at[ep.Trail[len(ep.Trail)-n]]
	}
	return s, true
}

// can tells which facts the running talk, a later one or a typed sign can
// still answer.
func (k *liveness) can(ep *care.Episode, backs int) func(care.Fact) bool {
	s, first := k.from(ep, backs)
	open := map[care.Fact]bool{}
	if first {
		for _, screen := range s.talk.Screens[s.index:] {
			for _, f := range screen.Facts {
				open[f] = true
			}
		}
	}
	return func(f care.Fact) bool { return open[f] || k.always[f] }
}

// conditions lists what may still decide whether something is asked.
func (k *liveness) conditions(ep *care.Episode, backs int) []protocol.Cond {
	list := k.later
	if s, first := k.from(ep, backs); first {
		list = append(slices.Clone(list), k.first[s.index]...)
	}
	return list
}

// distinct drops absent conditions and doubles.
func distinct(list []protocol.Cond) []protocol.Cond {
	seen := map[string]bool{}
	return slices.DeleteFunc(list, func(c protocol.Cond) bool {
		name := text(c)
		twice := seen[name]
		seen[name] = true
		return c.Op == "" || twice
	})
}

// text writes a condition without the lines it stands in.
func text(c protocol.Cond) string {
	s := fmt.Sprint(c.Op, c.Fact, c.Values, c.Facts, c.To)
	for _, sub := range c.Of {
		s += "(" + text(sub) + ")"
	}
	return s
}

func talkOf(state string) string {
	name, _, _ := strings.Cut(state, ".")
	return name
}
