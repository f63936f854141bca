package walk

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// standing keeps what a running check has heard, as far as it will decide
// something: each answer beside what it is compared with, and once all are in,
// only what they come to.
func (w *World) standing(b *strings.Builder, ep *care.Episode) {
	last := ep.Round
	r := ep.Rounds[last]
	t := w.P.Talks[r.Talk]
	if talkOf(ep.State) != r.Talk {
		return
	}
	switch t.Kind {
	case protocol.Seen:
		fmt.Fprintf(b, "|%s", r.Facts.Get(w.P.Roles.Seen).Latest())
	case protocol.Check, protocol.Last:
		c := w.compare(ep)
		b.WriteString("|" + c.worse + c.strong + c.steps)
		if r.Facts.Get(w.P.Roles.Overall) == nil {
			b.WriteString(c.pain + c.walking + c.swelling)
			return
		}
		fmt.Fprintf(b, "%t", c.improved)
	}
}

// A comparison is a check beside the entry and the check before, each part a
// word for its class. Empty means not asked yet.
type comparison struct {
	pain, walking, swelling string // better, same, worse
	worse, strong, steps    string
	improved                bool
}

// compare is written from the protocol's text, apart from the dialogue's code.
func (w *World) compare(ep *care.Episode) comparison {
	ro, rows := w.P.Roles, w.P.Check
	last := ep.Round
	now, entry, before := ep.Rounds[last], ep.Rounds[0], ep.Rounds[0]
	for i := 1; i < last; i++ {
		if ep.Rounds[i].Done && ep.Rounds[i].Facts.Get(ro.Pain) != nil {
			before = ep.Rounds[i]
		}
	}
	var c comparison
	if v := now.Facts.Get(ro.Steps).Latest(); v == care.No || v == care.Unsure {
		c.steps = "steps"
	}
	p, p0, pp := pain(now.Facts.Get(ro.Pain), 10), pain(entry.Facts.Get(ro.Pain), -1), pain(before.Facts.Get(ro.Pain), -1)
	if now.Facts.Get(ro.Pain) != nil {
		c.pain = "same"
		if p0 >= rows.EntryFrom && (p0-p >= rows.Points || 100*(p0-p) >= rows.Share*p0) {
			c.pain = "better"
		}
		if p0 >= 0 && p-p0 >= rows.WorseBy || pp >= 0 && p-pp >= rows.WorseBy {
			c.worse = "worse"
		}
		if p >= rows.StillStrongFrom {
			c.strong = "strong"
		}
	}
	w.compareRest(&c, now, entry, before, p0 < rows.EntryFrom)
	return c
}

func (w *World) compareRest(c *comparison, now, entry, before care.Round, low bool) {
	ro := w.P.Roles
	walks := []string{"normal", "limp", "few_steps", "none"}
	swells := []string{"none", "some", "large"}
	c.walking = class(walks, now.Facts.Get(ro.Walking), entry.Facts.Get(ro.Walking))
	c.swelling = class(swells, now.Facts.Get(ro.Swelling), before.Facts.Get(ro.Swelling))
	walksBetter := c.walking == "better" || now.Facts.Get(ro.Walking).Latest() == "normal"
	if walksBetter && c.walking == "same" {
		c.walking = "normal"
	}
	overall := now.Facts.Get(ro.Overall).Latest()
	if overall == "worse" || overall == care.Unsure {
		c.worse = "worse"
	}
	kept := overall != "worse" && overall != care.Unsure && c.walking != "worse" && c.swelling != "worse"
	if low {
		c.improved = kept && (walksBetter || c.swelling == "better")
		return
	}
	c.improved = kept && (c.pain == "better" || overall == "better" && walksBetter)
}

// class places an answer beside an earlier one. An unknown answer now is the
// worst, an unknown earlier one the best.
func class(order []string, now, before *care.Held) string {
	if now == nil {
		return ""
	}
	n, b := slices.Index(order, now.Latest()), max(0, slices.Index(order, before.Latest()))
	if n < 0 {
		n = len(order) - 1
	}
	switch {
	case n < b:
		return "better"
	case n > b:
		return "worse"
	default:
		return "same"
	}
}

func pain(h *care.Held, unknown int) int {
	n, err := strconv.Atoi(h.Latest())
	if err != nil {
		return unknown
	}
	return n
}
