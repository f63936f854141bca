package walk

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// An outcome is what one act came to.
type outcome struct {
	act
	key    string
	to     *node // nil where the walk does not go on
	rows   []string
	broken []Violation
	after  care.Disposition
	moved  bool
}

// expand does everything that may happen to n and checks what came of it.
func (w *World) expand(n *node, cfg *Config) []outcome {
	var list []outcome
	for _, a := range w.acts(n, cfg) {
		list = append(list, w.do(n, a, cfg))
	}
	list = append(list, w.doubtIsWorst(n, list)...)
	return list
}

// do takes one step.
func (w *World) do(n *node, a act, cfg *Config) (o outcome) {
	o.act = a
	defer func() {
		if fault := recover(); fault != nil {
			o.broken = append(o.broken, Violation{Rule: Fails, Place: n.ep.State, Text: fmt.Sprintf("panic: %v", fault)})
		}
	}()
	a.ev.ID = "ev"
	ch, err := w.Step(n.ep, a.ev, a.found, a.now)
	if errors.Is(err, care.ErrStaff) {
		return o // what staff may not do is theirs to learn
	}
	if err != nil {
		o.broken = append(o.broken, Violation{Rule: Fails, Place: n.ep.State, Text: a.label + ": " + err.Error()})
		return o
	}
	after := ch.Episode
	o.broken = w.check(&n.ep, &after, a, cfg)
	o.rows = newRows(&n.ep, &after)
	o.after = after.Disposition
	o.moved = after.State != n.ep.State || after.Aside != n.ep.Aside || after.Doubt != n.ep.Doubt || len(after.Trail) != len(n.ep.Trail)
	if w.startsOver(&n.ep, &after) {
		o.spends.overs, o.follow = 1, n.used.overs < cfg.Overs && a.follow
	}
	if !o.follow {
		return o
	}
	deliver(&after)
	o.to = &node{ep: after, now: a.now, used: spent{n.used.backs + a.spends.backs, n.used.overs + o.spends.overs, n.used.staff + a.spends.staff}}
	o.key = w.key(o.to, cfg)
	return o
}

// startsOver reports whether the first talk begins again, by command or since
// it was left halfway.
func (w *World) startsOver(before, after *care.Episode) bool {
	talk := func(ep *care.Episode) *protocol.Talk { return w.P.Talks[talkOf(ep.State)] }
	now, was := talk(after), talk(before)
	return now != nil && now.Kind == protocol.First && (was == nil || was.Kind != protocol.First) && len(before.Rounds) > 0
}

// deliver takes messages and staff items from the agenda, as the outbox would.
func deliver(ep *care.Episode) {
	ep.Agenda = slices.DeleteFunc(slices.Clone(ep.Agenda), func(it care.Item) bool { return it.What == care.DoSay || it.What == care.DoRaise })
}

// said lists the messages of a step.
func said(ep *care.Episode) []*care.Message {
	var list []*care.Message
	for _, it := range ep.Agenda {
		if it.What == care.DoSay {
			list = append(list, it.Say)
		}
	}
	return list
}

// newRows names the rows that raised in this step, without the round.
func newRows(before, after *care.Episode) []string {
	if len(after.Reasons) <= len(before.Reasons) {
		return nil
	}
	var rows []string
	for _, r := range after.Reasons[len(before.Reasons):] {
		_, name, _ := strings.Cut(r.Row, "/")
		if strings.HasPrefix(name, "row") {
			name, _, _ = strings.Cut(name, "/")
		}
		rows = append(rows, name)
	}
	return rows
}
