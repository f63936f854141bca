package staff

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// A Heading is one of the four parts of the list.
type Heading int

// The headings, in their order.
const (
	Nobody   Heading = iota // nobody has it
	Somebody                // somebody has it
	Phone                   // to be phoned
	Finished                // finished today
)

// An Item is what staff see of an escalation on the list: nothing that the
// person told, and no account.
type Item struct {
	ID          string
	What        string // what it is about, of care's names
	Disposition care.Disposition
	Since       time.Time
	State       string
	By, Role    string // who has it
	Outcome     string
	Sensitive   bool
	SecondList  bool
	Bare        bool // the person was erased
	Asked       int  // how often staff were asked again
}

// A Look is an item with what the person told.
type Look struct {
	Item
	Person    care.PersonID
	Because   []string // facts and signs that it rests on
	Note      string
	Phone     string // only for who has it
	Region    string
	Locale    care.Locale
	Zone      string
	InjuredAt time.Time   // zero while unknown
	Heard     time.Time   // when the person last wrote; zero if nothing is kept of them
	Answers   []care.Held // the latest round's, and the first one's; none without consent
}

// A Desk is where staff work. Its fields are set once.
type Desk struct {
	Store   DeskStore
	Members *Members
	Intake  Intake
	Watch   *Watch
	Hours   care.Hours // whose days "today" is counted by
	Now     func() time.Time
}

// A DeskStore keeps cards and records.
type DeskStore interface {
	Store
	Load(ctx context.Context, person string) (store.Record, error)
}

// An Intake does what staff decided, with its audit row.
type Intake interface {
	Staff(ctx context.Context, act care.StaffAct) error
}

// ItemOf is what the list shows of a card.
func ItemOf(c record.Card) Item {
	e := c.Escalation
	return Item{
		ID: e.ID, What: e.What, Disposition: e.Disposition, Since: e.Since, State: cmp.Or(e.State, care.StateOpen), By: e.By, Role: e.Role,
		Outcome: e.Outcome, Sensitive: e.Sensitive, SecondList: e.SecondList, Bare: e.Bare, Asked: e.Asked,
	}
}

// heading is where an item stands, or false where it stands nowhere any more.
func (d *Desk) heading(c record.Card) (Heading, bool) {
	e := c.Escalation
	switch {
	case e.State == care.StateClosed:
		return Finished, d.Hours.Day(e.At) == d.Hours.Day(d.Now())
	case e.State != care.StateTaken:
		return Nobody, true
	case e.Phone != "" || e.What == care.AboutCallBack:
		return Phone, true
	}
	return Somebody, true
}

// List is the list under its four headings, each by urgency and then by how
// long it waits. Sensitive items are there for those who may see them.
func (d *Desk) List(ctx context.Context, m Member) ([4][]Item, error) {
	var list [4][]Item
	if !m.Has(See) {
		return list, mayNot(m, See)
	}
	named, err := d.Store.List(ctx, record.CardPrefix)
	if err != nil {
		return list, err
	}
	for _, n := range named {
		c, err := record.DecodeCard(n.Bytes)
		if err != nil {
			return list, err
		}
		if h, there := d.heading(c); there && (!c.Escalation.Sensitive || m.Has(Sensitive)) {
			list[h] = append(list[h], ItemOf(c))
		}
	}
	for _, part := range list {
		slices.SortFunc(part, func(a, b Item) int {
			return cmp.Or(cmp.Compare(b.Disposition, a.Disposition), a.Since.Compare(b.Since), strings.Compare(a.ID, b.ID))
		})
	}
	return list, nil
}

func mayNot(m Member, r Right) error {
	return fmt.Errorf("%w: %s has no right to %s", ErrMayNot, m.Name, r)
}

// card finds an item that a member may know of. One that they may not is not
// there, so that nobody learns of it by trying.
func (d *Desk) card(ctx context.Context, m Member, id string) (record.Card, *record.Record, error) {
	if !m.Has(See) {
		return record.Card{}, nil, mayNot(m, See)
	}
	c, r, ok, err := d.load(ctx, id)
	if err == nil && (!ok || c.Escalation.Sensitive && !m.Has(Sensitive)) {
		err = fmt.Errorf("%w: no item has the ID %q", care.ErrStaff, id)
	}
	return c, r, err
}

// Item is how an item stands, for whoever is told why they can't have it.
func (d *Desk) Item(ctx context.Context, id string) (Item, bool, error) {
	c, _, ok, err := d.load(ctx, id)
	return ItemOf(c), ok, err
}

// load reads the card of an item, and the record of its person if that is
// still about it: the card is brought up to date after the record, and who
// comes second must be told the truth.
func (d *Desk) load(ctx context.Context, id string) (c record.Card, r *record.Record, ok bool, err error) {
	data, _, ok, err := d.Store.Get(ctx, record.CardKey(id))
	if err != nil || !ok {
		return c, nil, false, err
	}
	if c, err = record.DecodeCard(data); err != nil {
		return c, nil, false, err
	}
	was, err := d.Store.Load(ctx, string(c.Person))
	if err != nil || was.Bytes == nil {
		return c, nil, err == nil, err
	}
	now, err := record.Decode(was.Bytes)
	if err != nil || now.Episode.ID != c.Episode {
		return c, nil, err == nil, err
	}
	i := slices.IndexFunc(now.Episode.Escalations, func(e care.Escalation) bool { return e.ID == id })
	if i >= 0 {
		c.Escalation = now.Episode.Escalations[i]
	}
	return c, &now, true, nil
}

// Look opens an item. The audit row is written first: without it nothing is
// shown.
func (d *Desk) Look(ctx context.Context, m Member, id string) (Look, error) {
	c, r, err := d.card(ctx, m, id)
	if err != nil {
		return Look{}, err
	}
	if err := writeAudit(ctx, d.Store, record.Audit{At: d.Now(), By: m.Name, Do: doLook, ID: id, Sensitive: c.Escalation.Sensitive}); err != nil {
		return Look{}, err
	}
	d.Watch.Press(ctx)
	e := c.Escalation
	l := Look{Item: ItemOf(c), Person: c.Person, Because: e.Because, Note: e.Note, Region: c.Region, Locale: c.Locale, Zone: c.Zone}
	if e.By == m.Name && e.State == care.StateTaken {
		l.Phone = e.Phone
	}
	if r == nil || e.Bare {
		return l, nil
	}
	l.InjuredAt, l.Heard = r.Episode.InjuredAt, r.Episode.LastHeard
	l.Answers = answers(r.Episode)
	return l, nil
}

// consent is the fact that every protocol asks consent with.
const consent = care.Fact("consent")

// answers are what the person told in the first talk and in the latest one,
// once they have agreed that staff see it.
func answers(ep care.Episode) []care.Held {
	agreed := slices.ContainsFunc(ep.Rounds, func(r care.Round) bool { return r.Facts.Get(consent).Latest() == care.Yes })
	if !agreed {
		return nil
	}
	var list []care.Held
	for i, r := range ep.Rounds {
		if i > 0 && i < len(ep.Rounds)-1 {
			continue
		}
		for _, h := range r.Facts {
			if h.Fact != consent && len(h.Values) > 0 {
				list = append(list, *h)
			}
		}
	}
	return list
}

// Do does what a member decided about an item, if they may. By and the roles
// are filled in here.
func (d *Desk) Do(ctx context.Context, m Member, act care.StaffAct) error {
	c, _, err := d.card(ctx, m, act.ID)
	if err != nil {
		return err
	}
	if !m.Has(Take) {
		return mayNot(m, Take)
	}
	lowers := act.Do == care.ActLower || act.Do == care.ActClose && act.Disposition != 0 && act.Disposition < c.Escalation.Disposition
	if lowers && !m.Has(Lower) {
		return mayNot(m, Lower)
	}
	if act.Do == care.ActClose && c.Escalation.Disposition >= care.Emergency && strings.TrimSpace(act.Note) == "" {
		return fmt.Errorf("%w: %w", care.ErrStaff, ErrNote)
	}
	act.By, act.Role = m.Name, m.Role
	if act.Do == care.ActHandOn {
		to, err := d.Members.Of(ctx, act.To)
		if errors.Is(err, ErrNobody) {
			return fmt.Errorf("%w: %w", care.ErrStaff, err)
		}
		if err != nil {
			return err
		}
		if !d.canHave(to, c) {
			return fmt.Errorf("%w: %s may not have it", care.ErrStaff, to.Name)
		}
		act.To, act.ToRole = to.Name, to.Role
	}
	return d.Intake.Staff(ctx, act)
}

func (d *Desk) canHave(m Member, c record.Card) bool {
	return m.Has(See, Take) && (!c.Escalation.Sensitive || m.Has(Sensitive))
}

// Others are the members who could have an item beside m.
func (d *Desk) Others(ctx context.Context, m Member, id string) ([]Member, error) {
	c, _, err := d.card(ctx, m, id)
	if err != nil {
		return nil, err
	}
	all, err := d.Members.All(ctx)
	return slices.DeleteFunc(all, func(o Member) bool { return o.ID == m.ID || !d.canHave(o, c) }), err
}

// MaySeeSensitive counts who may see items that hold something private.
func (s *Members) MaySeeSensitive(ctx context.Context) (int, error) {
	all, err := s.All(ctx)
	n := 0
	for _, m := range all {
		if m.Has(See, Sensitive) {
			n++
		}
	}
	return n, err
}

// ErrNoReader keeps a list from being opened whose private items reach nobody.
var ErrNoReader = errors.New("nobody may see sensitive items: self-harm and violence would reach nobody; add somebody with `bot staff add NAME --may see,sensitive`")

// ErrUnstaffed keeps a list from being opened that nobody can take from.
var ErrUnstaffed = errors.New("nobody may take an item: add somebody with `bot staff add NAME --may see,take`")

// Staffed counts who may take an item; ErrUnstaffed where that is nobody.
func (s *Members) Staffed(ctx context.Context) (int, error) {
	all, err := s.All(ctx)
	if err != nil {
		return 0, err
	}
	n := 0
	for _, m := range all {
		if m.Has(See, Take) {
			n++
		}
	}
	if n == 0 {
		return 0, ErrUnstaffed
	}
	return n, nil
}
