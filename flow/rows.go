package flow

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// judge tries the rows that what was told in this turn can bring about. What
// earlier turns found stays a reason; nothing here can lower.
func (t *turn) judge() {
	r := t.round()
	check := t.p.Talks[r.Talk].Kind != protocol.First
	for _, told := range t.told {
		f := t.p.Facts[care.Fact(told.name)]
		if f == nil || r.Facts.Get(f.Name) == nil || check && slices.Contains(t.p.Roles.Baselines(), f.Name) {
			continue // a sign without a fact, or a baseline: a check's own rows judge those
		}
		for _, value := range r.Facts.Get(f.Name).Values {
			t.ownRow(r, f, value)
		}
	}
	one, ever := t.viewOf(t.ep.Round), t.view()
	for _, n := range t.touched() {
		if t.p.Raise[n].Ever {
			t.combination(n, "ever", ever)
		} else {
			t.combination(n, r.Key, one)
		}
	}
}

// ownRow is what one answer gives by itself.
func (t *turn) ownRow(r *care.Round, f *protocol.Fact, value string) {
	for to, d := range f.To {
		if !matches(f, value, to) {
			continue
		}
		t.raise(care.Reason{
			Row: r.Key + "/" + string(f.Name) + "=" + to, To: d, Names: []string{string(f.Name)},
			Sensitive: slices.Contains(f.Sensitive, to), Doubt: value == care.Unsure || r.Facts.Get(f.Name).Doubted,
		})
	}
}

// touched lists the rows in which something told in this turn stands.
func (t *turn) touched() []int {
	var rows []int
	for _, told := range t.told {
		rows = append(rows, t.p.rows[care.Fact(told.name)]...)
	}
	slices.Sort(rows)
	return slices.Compact(rows)
}

func (t *turn) combination(n int, where string, v *view) {
	row := &t.p.Raise[n]
	ok, facts := row.When.Holds(t.p.Protocol, v)
	if !ok {
		return
	}
	if len(row.Names) > 0 {
		facts = row.Names
	}
	var names []string
	sensitive := false
	for _, f := range facts {
		names = append(names, string(f))
		sensitive = sensitive || t.sensitive(f, v)
	}
	t.raise(care.Reason{Row: fmt.Sprintf("%s/row%d/%s", where, n, strings.Join(names, "+")), To: row.To, Names: names, Sensitive: sensitive})
}

func (t *turn) sensitive(f care.Fact, v *view) bool {
	fact := t.p.Facts[f]
	return fact != nil && slices.ContainsFunc(fact.Sensitive, func(value string) bool { return v.Holds(f, value) })
}

// raise notes a reason and takes the disposition up to it. The same row counts
// once, but told again in this turn it is fresh again: it opens an emergency
// that was closed, and what staff had settled.
func (t *turn) raise(r care.Reason) {
	t.reason(r, slices.ContainsFunc(r.Names, t.toldAgain))
}

// raiseAnew is raise for what is found now, whatever was found before.
func (t *turn) raiseAnew(r care.Reason) { t.reason(r, true) }

func (t *turn) reason(r care.Reason, again bool) {
	i := slices.IndexFunc(t.ep.Reasons, func(had care.Reason) bool { return had.Row == r.Row })
	switch {
	case i < 0:
		t.ep.Reasons = append(t.ep.Reasons, r)
	case !again:
		return
	default:
		t.ep.Reasons[i] = r
	}
	t.fresh = max(t.fresh, r.To)
	t.ep.Disposition = max(t.ep.Disposition, r.To)
	if r.To >= care.Emergency && !t.ep.Open {
		t.ep.Open, t.ep.RideKnown = true, false
	}
}

// toldAgain reports whether a reason was told in this turn, and not denied.
func (t *turn) toldAgain(name string) bool {
	i, had := slices.BinarySearchFunc(t.told, name, told.byName)
	f := t.p.Facts[care.Fact(name)]
	return had && (f == nil || t.told[i].value != care.No || f.Bad() == care.No)
}

// because lists what the disposition rests on, in protocol order.
func (t *turn) because() []string { return t.p.sorted(t.ep.Because()) }

// reported writes the disposition into the log with everything it rests on.
func (t *turn) reported() {
	t.reportedNow = true
	t.note(care.Line{
		Type: care.LineDisposition, Disposition: t.disposition(), Because: t.because(), Rule: t.rule(), Sensitive: t.ep.Sensitive,
	})
}

// disposition is the one in force; nothing found means home.
func (t *turn) disposition() care.Disposition { return max(t.ep.Disposition, care.Home) }
