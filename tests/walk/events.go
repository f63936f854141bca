package walk

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// An act is one thing that may happen in a state.
type act struct {
	label  string
	ev     care.Event
	found  care.Finding
	now    time.Time
	kind   actKind
	value  string // the answer's class, for answers
	spends spent
	follow bool // the walk goes on from what comes of it
}

type actKind uint8

const (
	answers   actKind = iota + 1 // an answer to the open question
	misread                      // words that are no answer
	commands                     // a word that may be said at any moment
	signs                        // a danger sign in typed words
	dues                         // an item of the agenda falls due
	staffActs                    // staff do something
	doubts                       // words that perhaps mean a danger sign
	returns                      // the channel opens the talk again
)

// acts lists everything that may happen to n.
func (w *World) acts(n *node, cfg *Config) []act {
	ep := &n.ep
	if ep.Closed {
		return nil
	}
	list := w.answersTo(ep, cfg)
	if ep.Ask != nil || ep.State == "rest" {
		list = append(list, act{label: "blorp", ev: care.Event{Kind: care.Said, Text: "blorp"}, kind: misread, follow: true})
	}
	if !n.lead && !cfg.Full {
		return at(n.now, list)
	}
	say := func(kind actKind, text string, follow bool) {
		list = append(list, act{label: text, ev: care.Event{Kind: care.Said, Text: text}, kind: kind, follow: follow})
	}
	if ep.State == "new" {
		list = append(list, act{label: "open", ev: care.Event{Kind: care.Opened}, kind: returns, follow: true})
	} else {
		list = append(list, act{label: "open", ev: care.Event{Kind: care.Opened}, kind: returns})
		for _, c := range []care.Command{care.CmdHuman, care.CmdWhy, care.CmdKept, care.CmdLanguage, care.CmdHelp, care.CmdGreeting, care.CmdOther, care.CmdDelete} {
			say(commands, "!"+string(c), false)
		}
		say(commands, "!"+string(care.CmdStop), true)
		say(commands, "!"+string(care.CmdHide), cfg.Asides)
		list = append(list, w.backAndOver(n, cfg)...)
	}
	if cfg.Calm {
		return at(n.now, list)
	}
	list = append(list, w.signActs(ep, cfg)...)
	list = append(list, w.dueActs(n)...)
	list = append(list, w.staffActs(n, cfg)...)
	return at(n.now, list)
}

// at lets everything happen now, or at its own later time.
func at(now time.Time, list []act) []act {
	for i := range list {
		if list[i].now.Before(now) {
			list[i].now = now
		}
	}
	return list
}

func (w *World) backAndOver(n *node, cfg *Config) []act {
	back := act{label: "!back", ev: care.Event{Kind: care.Said, Text: "!back"}, kind: commands, follow: true}
	if len(n.ep.Trail) > 0 && !n.ep.Open {
		back.spends, back.follow = spent{backs: 1}, n.used.backs < cfg.Backs
	}
	over := act{label: "!start_over", ev: care.Event{Kind: care.Said, Text: "!start_over"}, kind: commands, spends: spent{overs: 1}}
	over.follow = n.used.overs < cfg.Overs
	return []act{back, over}
}

// answersTo lists the answers to the open question: each choice alone, the
// combinations that may matter, one number for each range, not sure and skip.
func (w *World) answersTo(ep *care.Episode, cfg *Config) []act {
	ask := ep.Ask
	if ask == nil {
		return nil
	}
	var list []act
	chose := func(values ...string) {
		v := strings.Join(values, ",")
		list = append(list, act{label: "=" + v, value: v, ev: care.Event{Kind: care.Chose, Choices: values, Token: ask.Token}, kind: answers, follow: true})
	}
	for _, c := range ask.Choices {
		chose(c.Value)
	}
	if ask.Kind == care.NextOf || ep.Aside.What != "" || ep.Doubt != "" {
		return list
	}
	if len(ask.Facts) > 0 {
		for _, v := range w.typed(ask) {
			list = append(list, act{label: "=" + v, value: v, ev: care.Event{Kind: care.Said, Text: "=" + v}, kind: answers, follow: true})
		}
		for _, set := range w.sets(ask, cfg) {
			chose(set...)
		}
	}
	return append(list, act{label: "skip", value: "skip", ev: care.Event{Kind: care.Said, Text: "skip"}, kind: answers, follow: true})
}

// typed gives the answers that have no button: one for each range, and not
// sure.
func (w *World) typed(ask *care.Ask) []string {
	f := w.P.Facts[ask.Facts[0]]
	var list []string
	switch ask.Kind {
	case care.Age:
		for _, b := range f.Bands {
			list = append(list, strconv.Itoa(int(b.From)))
		}
	case care.Since:
		for _, b := range f.Bands { // six hours into each range, from the edge where the range before ends
			list = append(list, "PT"+strconv.Itoa(int(b.From)+6)+"H")
		}
	case care.Scale:
		for n := range w.edges(f) {
			list = append(list, strconv.Itoa(n))
		}
		slices.Sort(list)
	case care.Height:
		list = []string{"150", "177"}
	default:
		if slices.ContainsFunc(ask.Choices, func(c care.Choice) bool { return c.Value == care.Unsure }) || ask.Kind == care.Consent {
			return nil
		}
	}
	return append(list, care.Unsure)
}

// edges are the numbers of a scale at which something begins: its ranges, and
// for the pain that checks compare, the figures of their rows.
func (w *World) edges(f *protocol.Fact) map[int]bool {
	set := map[int]bool{}
	for _, b := range f.Bands {
		set[int(b.From)] = true
	}
	if f.Name == w.P.Roles.Pain {
		set[w.P.Check.EntryFrom], set[w.P.Check.StillStrongFrom] = true, true
	}
	return set
}

// sets are the answers of more than one choice. Facts that lead to the same
// and that nothing asks about later are the same fact to the walk.
func (w *World) sets(ask *care.Ask, cfg *Config) [][]string {
	if ask.Kind != care.AnyOf && ask.Kind != care.Several {
		return nil
	}
	var pick []string
	for _, c := range ask.Choices {
		if ask.Kind == care.Several && c.Value != care.Unsure || w.P.Facts[care.Fact(c.Value)] != nil && w.known.telling[care.Fact(c.Value)] {
			pick = append(pick, c.Value)
		}
	}
	sets := pairs(pick)
	if cfg.Subsets && len(pick) <= 8 {
		sets = subsets(pick)
	}
	if ask.Kind == care.AnyOf { // beside not sure the fact counts
		sets = append(sets, []string{ask.Choices[0].Value, care.Unsure})
	}
	return sets
}

func pairs(of []string) [][]string {
	var list [][]string
	for i := range of {
		for _, second := range of[i+1:] {
			list = append(list, []string{of[i], second})
		}
	}
	return list
}

// subsets lists every choice of two or more.
func subsets(of []string) [][]string {
	var list [][]string
	for bits := range 1 << len(of) {
		var set []string
		for i, v := range of {
			if bits>>i&1 == 1 {
				set = append(set, v)
			}
		}
		if len(set) > 1 {
			list = append(list, set)
		}
	}
	return list
}
