package flow

import (
	"fmt"
	"slices"
	"strings"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// judge tries every row on every round and raises. It can't lower: a reason
// once found stays, whatever is answered later.
func (t *turn) judge() {
	for i := range t.ep.Rounds {
		t.ownRows(i)
	}
	for i := range t.ep.Rounds {
		t.combinations(i)
	}
}

// ownRows looks at what each fact gives by itself. The baselines of a check
// are judged by the check's own rows.
func (t *turn) ownRows(i int) {
	r := &t.ep.Rounds[i]
	check := t.p.Talks[r.Talk].Kind != protocol.First
	for _, name := range sortedKeys(r.Facts) {
		f := t.p.Facts[name]
		if check && slices.Contains(t.p.Roles.Baselines(), name) {
			continue
		}
		for _, value := range r.Facts[name].Values {
			t.ownRow(i, f, value, r.Facts[name])
		}
	}
}

func (t *turn) ownRow(round int, f *protocol.Fact, value string, h *care.Held) {
	v := t.viewOf(round)
	for _, to := range sortedValues(f.To) {
		if !matches(f, value, to) {
			continue
		}
		d := f.To[to]
		v.read(f.Name)
		t.raise(care.Reason{
			Row: fmt.Sprintf("%d/%s=%s", round, f.Name, to), To: d, Names: []string{string(f.Name)},
			Sensitive: slices.Contains(f.Sensitive, to), Doubt: value == care.Unsure || h.Doubted,
		})
	}
}

func sortedValues(to map[string]care.Disposition) []string {
	var list []string
	for v := range to {
		list = append(list, v)
	}
	slices.Sort(list)
	return list
}

func (t *turn) combinations(round int) {
	for n, row := range t.p.Raise {
		ok, facts := row.When.Holds(t.p.Protocol, t.viewOf(round))
		if !ok {
			continue
		}
		if len(row.Names) > 0 {
			facts = row.Names
		}
		var names []string
		sensitive := false
		for _, f := range facts {
			names = append(names, string(f))
			sensitive = sensitive || t.sensitive(round, f)
		}
		t.raise(care.Reason{Row: fmt.Sprintf("%d/row%d/%s", round, n, strings.Join(names, "+")), To: row.To, Names: names, Sensitive: sensitive})
	}
}

func (t *turn) sensitive(round int, f care.Fact) bool {
	h, fact := t.ep.Rounds[round].Facts[f], t.p.Facts[f]
	return h != nil && fact != nil && slices.ContainsFunc(h.Values, func(v string) bool { return slices.Contains(fact.Sensitive, v) })
}

// raise notes a reason and takes the disposition up to it. The same row counts
// once, but told again in this turn it is fresh again: it opens an emergency
// that was closed, and what staff had settled.
func (t *turn) raise(r care.Reason) {
	again := slices.ContainsFunc(r.Names, t.toldAgain)
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
	if r.To >= care.Emergency {
		t.ep.Open = true
	}
}

// toldAgain reports whether a reason was told in this turn, and not denied.
func (t *turn) toldAgain(name string) bool {
	value, told := t.told[name]
	f := t.p.Facts[care.Fact(name)]
	return told && (f == nil || value != care.No || f.Bad() == care.No)
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
