package walk_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// A model is the dialogue of a protocol as Promela, for the model checker
// Spin. It is made from the compiled protocol and shares nothing with the walk
// or the dialogue's code. It is rough on purpose: whatever a condition might
// decide, both ways are taken, so that it holds everything that can happen and
// more.
type model struct {
	p       *protocol.Protocol
	nodes   []string
	options []string
	careOf  map[string]string // nodes that say something for home or for protecting
	without []string          // a seeded fault: nothing leads away from these places
}

func newModel(p *protocol.Protocol) *model {
	m := &model{p: p, nodes: []string{"new", "rest", "closed"}, careOf: map[string]string{}}
	for _, name := range p.TalkSeq {
		for _, s := range p.Talks[name].Screens {
			m.nodes = append(m.nodes, name+"."+s.Name)
		}
	}
	return m
}

func (m *model) id(node string) int { return slices.Index(m.nodes, node) }

// option adds one thing that can happen: where, under which guard, and what
// comes of it.
func (m *model) option(node, guard, does string) {
	if guard == "" {
		guard = "true"
	}
	m.options = append(m.options, fmt.Sprintf(":: d_step { %s && (%s) -> %s; see() } /* %s */", m.at(node), guard, does, node))
}

// anywhere stands for every state but the first and the last.
const anywhere = "anywhere"

func (m *model) at(node string) string {
	if node == anywhere {
		return fmt.Sprintf("node != %d && node != %d", m.id("new"), m.id("closed"))
	}
	return fmt.Sprintf("node == %d", m.id(node))
}

// raise is the Promela for a raise to d, then on to what follows.
func raiseTo(d care.Disposition) string {
	return fmt.Sprintf("disp = (disp < %d -> %d : disp)", d, d)
}

// goes moves to a node; from day 0 it closes where nobody agreed to keep it.
func (m *model) goes(node string) string { return fmt.Sprintf("node = %d", m.id(node)) }

// entries lists the screens at which a talk may begin, from a screen on: the
// first that is always asked, and every conditional one before it.
func (m *model) entries(t *protocol.Talk, i int) []string {
	var list []string
	for ; i < len(t.Screens); i++ {
		list = append(list, t.Name+"."+t.Screens[i].Name)
		if !t.Screens[i].Conditional() {
			return list
		}
	}
	return append(list, "")
}

func (m *model) kind(kind string) *protocol.Talk {
	for _, name := range m.p.TalkSeq {
		if m.p.Talks[name].Kind == kind {
			return m.p.Talks[name]
		}
	}
	return nil
}

func (m *model) build() string {
	first := m.kind(protocol.First)
	m.begin("new", "true", "done = 0", first)
	for _, name := range m.p.TalkSeq {
		for i := range m.p.Talks[name].Screens {
			m.screen(m.p.Talks[name], i)
		}
	}
	m.rest()
	m.firstWords()
	m.anytime(anywhere)
	return m.text()
}

// begin adds the ways into a talk.
func (m *model) begin(node, guard, does string, t *protocol.Talk) {
	for _, to := range m.entries(t, 0) {
		if to == "" {
			m.end(node, guard, does, t)
			continue
		}
		m.option(node, guard, does+"; "+m.goes(to))
	}
}

// screen adds what may follow a screen: on with every disposition that an
// answer or a row may raise to, back, and misread.
func (m *model) screen(t *protocol.Talk, i int) {
	s := t.Screens[i]
	node := t.Name + "." + s.Name
	if s.Say != "" {
		m.careOf[node] = "home"
		if t != m.p.Talks[m.kind(protocol.First).Then[care.Home]] && s.Say != "offers" {
			m.careOf[node] = "protect"
		}
		for _, o := range s.Offers {
			if to := m.p.Offers[o].Talk; to != "" {
				guard := "true"
				if to == m.kind(protocol.First).Then[care.Home] {
					guard = "disp == 1 && !open"
				}
				m.begin(node, guard, "skip", m.p.Talks[to])
			}
		}
	}
	for j := range i {
		m.option(node, "!open", m.goes(t.Name+"."+t.Screens[j].Name))
	}
	for _, d := range m.raises(s) {
		m.answered(t, i, node, d)
	}
	m.special(t, s, node)
}

// answered goes on after an answer that raised to d, zero for none.
func (m *model) answered(t *protocol.Talk, i int, node string, d care.Disposition) {
	if d >= care.Emergency {
		m.emergency(node, "true", d)
		return
	}
	does := "skip"
	if d > 0 {
		does = raiseTo(d)
	} else if g := m.group(t, t.Screens[i]); g != "" {
		does = g + " = 1"
	}
	for _, to := range m.entries(t, i+1) {
		if to == "" {
			m.end(node, "true", does, t)
			continue
		}
		m.option(node, "true", does+"; "+m.goes(to))
	}
}

// group names the bit that keeps that a danger group of day 0 was denied.
func (m *model) group(t *protocol.Talk, s protocol.Screen) string {
	if t.Kind != protocol.First || s.Kind != care.AnyOf || !slices.ContainsFunc(s.Facts, func(f care.Fact) bool { return m.p.Facts[f].Danger }) {
		return ""
	}
	return "denied_" + s.Name
}

// raises lists what the answers to a screen may raise to, nothing first.
func (m *model) raises(s protocol.Screen) []care.Disposition {
	set := map[care.Disposition]bool{0: true}
	for _, f := range s.Facts {
		for _, d := range m.p.Facts[f].To {
			set[d] = true
		}
		for _, row := range m.p.Raise {
			if slices.Contains(row.When.Reads(), f) {
				set[row.To] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(set))
}

// emergency opens one: the ride is asked, or was asked before.
func (m *model) emergency(node, guard string, d care.Disposition) {
	does := raiseTo(d) + "; open = 1; "
	m.option(node, guard, does+m.goes(m.kind(protocol.Emergent).Name+"."+m.kind(protocol.Emergent).Screens[0].Name))
	m.option(node, guard, does+m.goes("rest"))
}

// special adds what some facts do beside their disposition.
func (m *model) special(t *protocol.Talk, s protocol.Screen, node string) {
	switch {
	case len(s.Facts) == 0:
	case s.Facts[0] == m.p.Roles.Adult:
		m.option(node, "true", m.goes("closed"))
	case t.Kind == protocol.Seen && s.Facts[0] == m.p.Roles.Xray:
		m.option(node, "true", "open = 0; "+m.goes("rest"))
		m.option(node, "!done", raiseTo(care.Clinician)+"; open = 0; "+m.goes("rest"))
	}
}

// end closes a talk: day 0 and checks go on to what their disposition asks
// for, the others to rest.
func (m *model) end(node, guard, does string, t *protocol.Talk) {
	switch t.Kind {
	case protocol.First:
		does += "; done = 1; disp = (disp == 0 -> 1 : disp)"
	case protocol.Check, protocol.Last:
		for _, d := range []care.Disposition{care.Clinician, care.SameDay} { // the check's own rows
			m.then(node, guard, does+"; "+raiseTo(d), t)
		}
		does += "; disp = (disp == 0 || !done -> (disp < 2 && !done -> 2 : (disp == 0 -> 1 : disp)) : disp)"
	case protocol.Seen, protocol.DangerAsk, protocol.UnsafeAsk:
		m.then(node, "!done && !open && ("+guard+")", does+"; "+raiseTo(care.Clinician), m.kind(protocol.First))
	}
	m.then(node, guard, does, t)
}

func (m *model) then(node, guard, does string, t *protocol.Talk) {
	m.option(node, guard, does+"; "+m.goes("rest"))
	m.option(node, guard, does+"; "+m.goes("closed"))
	for d := care.Home; d <= care.SameDay; d++ {
		next := m.p.Talks[t.Then[d]]
		if next == nil {
			continue
		}
		for _, to := range m.entries(next, 0) {
			if to != "" { // the guard is on what was, the choice on what is now
				m.options = append(m.options, fmt.Sprintf(
					":: d_step { %s && (%s) -> %s; node = (disp == %d && !open -> %d : %d); see() } /* %s */", m.at(node), guard, does, d, m.id(to), m.id("rest"), node))
			}
		}
	}
}

// rest adds what may begin when nothing is asked.
func (m *model) rest() {
	for _, name := range m.p.TalkSeq {
		switch t := m.p.Talks[name]; t.Kind {
		case protocol.Check, protocol.Last, protocol.DangerAsk:
			m.begin(anywhere, "!open", "skip", t)
		case protocol.Seen:
			m.begin(anywhere, "true", "skip", t)
		}
	}
	m.begin("rest", "!open && !done", "done = 0", m.kind(protocol.First))
}

// firstWords: the first message may hold a sign.
func (m *model) firstWords() {
	m.emergency("new", "true", care.Ambulance)
	m.emergency("new", "true", care.Emergency)
	m.begin("new", "true", raiseTo(care.SameDay), m.kind(protocol.First))
	m.begin("new", "true", "skip", m.kind(protocol.UnsafeAsk))
}

// anytime adds what may happen in every state: a sign, stop, start over, staff,
// forgetting.
func (m *model) anytime(node string) {
	m.emergency(node, "true", care.Ambulance)
	m.emergency(node, "true", care.Emergency)
	for _, d := range []care.Disposition{care.Clinician, care.SameDay} { // a sign, or staff, below emergency
		m.option(node, "!open && ("+m.asking()+")", raiseTo(d))
		m.then(node, "!open", raiseTo(d), m.kind(protocol.First))
	}
	m.emergency(node, "open", care.SameDay)
	m.begin(node, "!open", "skip", m.kind(protocol.UnsafeAsk))
	m.option(node, "true", m.goes("rest"))
	m.option(node, "!done", raiseTo(care.Clinician)+"; "+m.goes("rest"))
	m.begin(node, "!open", "done = 0", m.kind(protocol.First))
	m.begin(node, "open", "skip", m.kind(protocol.DangerAsk))
	m.option(node, "true", m.goes("closed"))
	for d := care.Home; d <= care.SameDay; d++ {
		lower, above := fmt.Sprintf("disp = %d; open = 0; low = 1", d), fmt.Sprintf("disp > %d", d)
		m.option(node, above, lower)
		m.then(node, above, lower, m.kind(protocol.First))
	}
	m.option(node, "open", "open = 0; "+m.goes("rest"))
}

// asking tells the questions from what is only read: there a raise goes on to
// new advice.
func (m *model) asking() string {
	var list []string
	for _, name := range m.p.TalkSeq {
		if k := m.p.Talks[name].Kind; k == protocol.CareTalk || k == protocol.Crutches {
			continue
		}
		for _, s := range m.p.Talks[name].Screens {
			list = append(list, fmt.Sprintf("node == %d", m.id(name+"."+s.Name)))
		}
	}
	return strings.Join(list, " || ")
}

// text writes the model. Each stand that is reached is printed once; home care
// is asserted to be at home, with no emergency, and after every danger group
// of day 0 was denied, unless staff have lowered.
func (m *model) text() string {
	var b strings.Builder
	groups := []string{}
	for _, s := range m.kind(protocol.First).Screens {
		if g := m.group(m.kind(protocol.First), s); g != "" {
			groups = append(groups, g)
		}
	}
	b.WriteString("c_decl {\nstatic char seen[256][8][2];\n}\n")
	b.WriteString("byte node = 0; byte disp = 0; bit open = 0; bit done = 0; bit low = 0;\n")
	for _, g := range groups {
		fmt.Fprintf(&b, "bit %s = 0;\n", g)
	}
	var home, protect []string
	for _, node := range slices.Sorted(maps.Keys(m.careOf)) {
		test := fmt.Sprintf("node == %d", m.id(node))
		if m.careOf[node] == "home" {
			home = append(home, test)
		} else {
			protect = append(protect, test)
		}
	}
	fmt.Fprintf(&b, `inline see() {
  c_code { if (!seen[now.node][now.disp][now.open]) { seen[now.node][now.disp][now.open] = 1; printf("STAND %%d %%d %%d\n", now.node, now.disp, now.open); } };
  assert(!(%s) || (disp == 1 && !open && (low || (%s))));
  assert(!(%s) || !open)
}
`, strings.Join(home, " || "), strings.Join(groups, " && "), strings.Join(protect, " || "))
	fmt.Fprintf(&b, "active proctype dialogue() {\ndo\n:: node == %d -> break\n%s\nod\n}\n", m.id("closed"), strings.Join(m.distinct(), "\n"))
	return b.String()
}

// distinct drops options that are there twice, or that a seeded fault leaves out.
func (m *model) distinct() []string {
	seen := map[string]bool{}
	return slices.DeleteFunc(m.options, func(o string) bool {
		twice := seen[o]
		seen[o] = true
		return twice || slices.ContainsFunc(m.without, func(place string) bool { return strings.HasSuffix(o, "/* "+place+" */") })
	})
}
