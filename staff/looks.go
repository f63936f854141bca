package staff

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnstone/record"
	"turnstone/store"
)

// doLook is what the audit row of a look says.
const doLook = "look"

// A Week is who looked at which items in a week, or in several. Each row of the audit counts
// once; looking is no fault, so that nothing is judged here.
type Week struct {
	From, To time.Time
	Members  []Looker   // by name
	Items    []LookedAt // the most looked at first
}

// A Looker is a member who looked.
type Looker struct {
	Name      string
	Looks     int
	Items     int // that they looked at
	Sensitive int // of those
	Acted     int // of those: with which they did something, then or before, or which were passed to them
}

// A LookedAt is an item that somebody looked at.
type LookedAt struct {
	ID        string
	Sensitive bool
	By        []Looker // by name, with Looks alone
}

// Looked counts the looks from one moment to another, without the latter.
func (d *Desk) Looked(ctx context.Context, from, to time.Time) (Week, error) {
	w := Week{From: from, To: to}
	rows, err := d.Store.List(ctx, record.AuditPrefix)
	if err != nil {
		return w, err
	}
	count := map[[2]string]int{} // looks by member and item
	acted, sensitive := map[[2]string]bool{}, map[string]bool{}
	for _, v := range rows {
		var a record.Audit
		if err := json.Unmarshal(v.Bytes, &a); err != nil {
			return w, fmt.Errorf("%w: an audit row: %w", store.ErrDamaged, err)
		}
		switch {
		case a.Do != doLook:
			acted[[2]string{a.By, a.ID}], acted[[2]string{a.To, a.ID}] = true, true
		case !a.At.Before(from) && a.At.Before(to):
			count[[2]string{a.By, a.ID}]++
			sensitive[a.ID] = sensitive[a.ID] || a.Sensitive
		}
	}
	members, items := map[string]Looker{}, map[string]LookedAt{}
	for at, n := range count {
		name, id := at[0], at[1]
		m, it := members[name], items[id]
		m.Name, m.Looks, m.Items = name, m.Looks+n, m.Items+1
		if sensitive[id] {
			m.Sensitive++
		}
		if acted[at] {
			m.Acted++
		}
		it.ID, it.Sensitive, it.By = id, sensitive[id], append(it.By, Looker{Name: name, Looks: n})
		members[name], items[id] = m, it
	}
	byName := func(a, b Looker) int { return strings.Compare(a.Name, b.Name) }
	for _, m := range members {
		w.Members = append(w.Members, m)
	}
	slices.SortFunc(w.Members, byName)
	for _, it := range items {
		slices.SortFunc(it.By, byName)
		w.Items = append(w.Items, it)
	}
	slices.SortFunc(w.Items, func(a, b LookedAt) int { return cmp.Or(cmp.Compare(b.looks(), a.looks()), strings.Compare(a.ID, b.ID)) })
	return w, nil
}

func (it LookedAt) looks() (n int) {
	for _, l := range it.By {
		n += l.Looks
	}
	return n
}

// toldKey holds until when looks have been told.
const toldKey = "looks"

type told struct {
	Until time.Time `json:"until"`
}

// LooksToTell are the looks that nobody was told of yet, once a week is over
// and the clinic has opened in the next. Told says that they were told. After
// weeks without the program they come together.
func (d *Desk) LooksToTell(ctx context.Context) (w Week, due bool, err error) {
	week := d.Hours.Week(d.Now())
	data, _, known, err := d.Store.Get(ctx, toldKey)
	if err != nil {
		return w, false, err
	}
	if !known {
		return w, false, d.Told(ctx, week) // the first week is told when it is over
	}
	var last told
	if err := decode(data, &last); err != nil {
		return w, false, err
	}
	if !last.Until.Before(week) || d.Now().Before(d.Hours.Morning(week.Add(-time.Nanosecond))) {
		return w, false, nil
	}
	w, err = d.Looked(ctx, last.Until, week)
	return w, err == nil, err
}

// Told notes that looks have been told until a moment.
func (d *Desk) Told(ctx context.Context, until time.Time) error {
	data, err := json.Marshal(told{until})
	if err != nil {
		return err
	}
	return d.Store.Put(ctx, toldKey, data, store.AnyEtag, time.Time{})
}
