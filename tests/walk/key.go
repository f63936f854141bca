package walk

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// spent is how much of each budget a path has used. Budgets bound what could
// go on for ever: going back, starting over, staff acts.
type spent struct{ backs, overs, staff int }

// key names a state of the walk: everything that a later step can still tell
// apart. What it leaves out is said here:
//   - words only: the published rule, X-ray series, reasons and their names;
//   - the entry's pain, walking and swelling once day 0 is over: what a check
//     makes of every combination is enumerated in the flow package's tests;
//   - reminders to staff, which change nothing of the dialogue;
//   - what starting over would look at again: it is taken from every state, and
//     followed from some.
func (w *World) key(n *node, cfg *Config) string {
	ep := &n.ep
	if ep.Closed {
		return fmt.Sprint(ep.State, ep.Disposition, ep.Open, ep.Erasing)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s|%s|%d|%d%t%t%t%t%t%t%t|%v|", ep.State, ep.Aside.What+w.doubt(ep), tries(ep), ep.Disposition, ep.Open, ep.Sensitive, ep.Stopped, ep.LastDone, ep.RideKnown, ep.Unheard, len(ep.Behind) > 0, n.used)
	fmt.Fprintf(&b, "%d|%s|%s|%s|", min(ep.SeenAsked, 2), plans(ep), staffItem(ep), since(n))
	backs := max(0, cfg.Backs-n.used.backs)
	trail := ""
	if l := len(ep.Trail); l > 0 && backs > 0 {
		trail = strings.Join(ep.Trail[max(0, l-backs):], ",")
	}
	fmt.Fprintf(&b, "%s%t|", trail, ep.Retaken == ep.State)
	w.answers(&b, ep, backs, cfg)
	return b.String()
}

// doubt keeps what a sign that was perhaps meant would do: where it belongs,
// and its class.
func (w *World) doubt(ep *care.Episode) string {
	if ep.Doubt == "" {
		return ""
	}
	return string(w.P.BySign[ep.Doubt]) + ep.Doubt.Class().String()
}

// tries counts only where something else follows from it: at a question, up to
// the one that is asked once more in a plain way.
func tries(ep *care.Episode) int {
	if ep.Ask == nil || ep.Ask.Kind == care.NextOf {
		return 0
	}
	return min(ep.Tries, 4)
}

// plans lists the kinds of item that are planned.
func plans(ep *care.Episode) string {
	var list []string
	for _, it := range ep.Agenda {
		if !nagging(it.What) {
			list = append(list, itemName(it)+when(it))
		}
	}
	slices.Sort(list)
	return strings.Join(slices.Compact(list), ",")
}

// kinds lists what is planned, without the times.
func kinds(ep *care.Episode) string {
	var list []string
	for _, it := range ep.Agenda {
		if !nagging(it.What) {
			list = append(list, itemName(it))
		}
	}
	slices.Sort(list)
	return strings.Join(slices.Compact(list), ",")
}

// when is the hour at which an item falls due. Forgetting moves with each word
// and can't come before anything else that is planned.
func when(it care.Item) string {
	if it.What == care.DoErase {
		return ""
	}
	return "@" + it.Due.Sub(Start).Round(time.Hour).String()
}

func itemName(it care.Item) string {
	if it.What == care.DoRepeat || it.What == care.DoNoReply {
		return it.What + ":" + it.About
	}
	return it.What
}

func nagging(what string) bool {
	return slices.Contains([]string{care.DoAskStaff, care.DoSecondList, care.DoFreeAgain, care.DoUnfinished, care.DoSay, care.DoRaise}, what)
}

func staffItem(ep *care.Episode) string {
	for _, e := range ep.Escalations {
		if e.What == care.AboutDisposition {
			return e.State + strconv.FormatBool(e.Held)
		}
	}
	return ""
}

// since keeps when it happened and how late it is: what is planned hangs on
// both. Time stands still while somebody answers; only what falls due moves it.
func since(n *node) string {
	late := n.now.Sub(Start).Round(time.Hour).String()
	if n.ep.InjuredAt.IsZero() {
		return late
	}
	return n.ep.InjuredAt.Sub(Start).Round(time.Hour).String() + late
}

// answers writes what the answers still decide.
func (w *World) answers(b *strings.Builder, ep *care.Episode, backs int, cfg *Config) {
	all, can := wholeLens(w.P, ep), w.known.can(ep, backs)
	ro := w.P.Roles
	fmt.Fprintf(b, "%s,%s,%s|", all.latest(ro.Consent), xray(all.latest(ro.Xray)), all.latest(ro.SafeTime))
	w.conditions(b, all, can, w.known.conditions(ep, backs))
	w.given(b, ep, all)
	w.kept(b, ep, can)
	if len(ep.Rounds) == 0 {
		return
	}
	last := ep.Round
	fmt.Fprintf(b, "|%t%t%t", w.P.Talks[ep.Rounds[last].Talk].Kind == protocol.First, ep.Rounds[0].Done, cfg.Contract.denied(w.P, ep))
	w.rows(b, ep, can)
	w.standing(b, ep)
}

func (w *World) conditions(b *strings.Builder, l lens, can func(care.Fact) bool, list []protocol.Cond) {
	for _, c := range list {
		b.WriteString(residual(c, l, can))
	}
}

// xray keeps what an X-ray proved.
func xray(v string) string {
	if v == "no_fracture" || v == "fracture" {
		return v
	}
	return ""
}

// given keeps the answers that settle another question.
func (w *World) given(b *strings.Builder, ep *care.Episode, all lens) {
	t := w.P.Talks[talkOf(ep.State)]
	if t == nil {
		return
	}
	for _, s := range t.Screens {
		if s.Given != nil {
			fmt.Fprintf(b, "|%t", all.latest(s.Given.Fact) == s.Given.Value)
		}
	}
}

// kept tells what the conditions still hold on when the talks that are held
// again and again are held again: a round of theirs with nothing to remember
// is used anew, and what was said in it is gone.
func (w *World) kept(b *strings.Builder, ep *care.Episode, can func(care.Fact) bool) {
	anew := map[string]bool{}
	rest := lens{w.P, ep, nil}
	for i, r := range ep.Rounds {
		t := w.P.Talks[r.Talk]
		often := t.Kind == protocol.Seen || t.Kind == protocol.DangerAsk || t.Kind == protocol.Check && !t.Judge
		if i > 0 && often && !slices.ContainsFunc(r.Facts, w.counts) {
			anew[r.Talk] = true
			continue
		}
		rest.rounds = append(rest.rounds, r)
	}
	fmt.Fprintf(b, "|%v", anew)
	if len(anew) > 0 {
		w.conditions(b, rest, can, w.known.later)
	}
}

// counts reports whether an answer is more than a no, how it goes, whether
// somebody was seen, or an X-ray without a result.
func (w *World) counts(h *care.Held) bool {
	open := h.Fact == w.P.Roles.Xray && xray(h.Latest()) == ""
	return !open && h.Fact != w.P.Roles.Overall && h.Fact != w.P.Roles.Seen && !slices.Equal(h.Values, []string{care.No})
}

// rows keeps what is left of every row that can still change something: over
// the whole episode, or in the round that gets the answers.
func (w *World) rows(b *strings.Builder, ep *care.Episode, can func(care.Fact) bool) {
	one, ever := roundLens(w.P, ep, ep.Round), wholeLens(w.P, ep)
	for i, row := range w.P.Raise {
		if row.To <= ep.Disposition && row.To < care.Emergency {
			continue
		}
		l := one
		if row.Ever {
			l = ever
		}
		if r := residual(row.When, l, can); r != settledFalse {
			fmt.Fprintf(b, "|%d%s", i, r)
		}
	}
}
