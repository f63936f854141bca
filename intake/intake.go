// Package intake turns one event into one commit. Every typed word is read by
// the safety screen before anything else can fail; an emergency reaches the
// person even when the flow errs, the gate refuses or the store is down.
package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/record"
	"turnstone/safety"
	"turnstone/store"
)

// A Store is what intake needs from a store, and no more.
type Store interface {
	// Load returns the zero record for an unknown person.
	Load(ctx context.Context, person string) (store.Record, error)
	// Commit writes all of w or nothing; store.ErrStale if the record has moved on.
	Commit(ctx context.Context, w store.Write) error
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Delete(ctx context.Context, key string, etag uint64) error
}

// A Flow decides what an event comes to.
type Flow interface {
	Begin(s flow.Start) care.Episode
	Step(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error)
}

// A Screen reads words for danger signs.
type Screen interface {
	Read(text string, prefer care.Locale) care.Finding
}

// A Deliverer sends what a commit made due.
type Deliverer interface {
	Deliver(ctx context.Context, person care.PersonID) error
}

// A Cards sends the fixed emergency card without a record.
type Cards interface {
	CardNow(ctx context.Context, c Caller, event care.EventID) error
}

// A Caller is who an event comes from, and what the channel knows of them.
type Caller struct {
	Person  care.PersonID // pseudonym of the account
	Address string        // where the channel reaches them
	Locale  care.Locale
	Zone    string
	ZoneSet bool   // the zone was chosen, not guessed
	Region  string // empty while unknown
	Server  string // the community they come from, where the clinic has hours of its own there
	Shared  bool   // zone and region are those of a whole server, not the person's own
}

// An Intake handles events. Its fields are set once, before the first event.
type Intake struct {
	Store  Store
	Flow   Flow
	Screen Screen
	Door   safety.Door
	Out    Deliverer
	Cards  Cards
	Now    func() time.Time
	Log    *slog.Logger

	// Pressed, where set, is when a staff member last did something. It is asked
	// on every turn and must not wait for anything.
	Pressed func() time.Time

	// Acted, where set, is told of each act of staff, once it is committed.
	Acted func(ctx context.Context)

	// Committed, where set, is told of the log lines of each commit, in order.
	Committed func(person care.PersonID, lines []care.Line)

	mu      sync.Mutex
	waiting []*waitingEvent // emergencies that came while the store was down
}

// ErrSeen is the answer to an event that was handled before.
var ErrSeen = errors.New("this event was handled before")

// moment is now, as finely as a store keeps it.
func (in *Intake) moment() time.Time { return in.Now().Truncate(time.Millisecond) }

// tries is how often a decision is made anew because somebody else committed
// first; each time one of them got through.
const tries = 50

// Handle takes one event of a person. ErrSeen tells a redelivery; bad choices
// are care.ErrBadChoice and care.ErrNoAsk. Any other error is the operator's.
func (in *Intake) Handle(ctx context.Context, c Caller, ev care.Event) error {
	var found care.Finding
	if ev.Kind == care.Said {
		found = in.Screen.Read(ev.Text, c.Locale) // first, so that no later fault can hide it
	}
	if found.Class() == care.AmbulanceNow {
		return in.emergency(ctx, c, ev, found)
	}
	in.retry(ctx, c.Person) // an answer must not be taken before the emergency that came before it
	return in.take(ctx, c, ev, found)
}

// take finds out who an event is about, and handles it.
func (in *Intake) take(ctx context.Context, c Caller, ev care.Event, found care.Finding) error {
	person, err := in.whose(ctx, c, ev)
	if err != nil {
		return err
	}
	return in.commit(ctx, c, person, ev, found)
}

func (in *Intake) pressed() time.Time {
	if in.Pressed == nil {
		return time.Time{}
	}
	return in.Pressed()
}

// Due does an item whose time has come.
func (in *Intake) Due(ctx context.Context, person care.PersonID, it care.Item) error {
	if apart, err := in.dueApart(ctx, person, it); apart || err != nil {
		return err
	}
	return in.commit(ctx, Caller{}, person, care.Event{Kind: care.FellDue, Item: it}, care.Finding{})
}

// Everybody does what concerns everybody, to one person: care.Retired or
// care.WasAway. The ID tells this time from another, so that once is enough.
func (in *Intake) Everybody(ctx context.Context, person care.PersonID, kind care.EventKind, id care.EventID) error {
	err := in.commitFrom(ctx, person, care.Event{Kind: kind, ID: id}, nobody)
	if errors.Is(err, ErrSeen) {
		return nil
	}
	return err
}

// nobody begins with no record: who is not there is left alone.
func nobody() (record.Record, bool) { return record.Record{}, false }

// Staff does what a staff member decided about an escalation.
func (in *Intake) Staff(ctx context.Context, act care.StaffAct) error {
	data, _, ok, err := in.Store.Get(ctx, record.CardKey(act.ID))
	if err != nil {
		return err
	}
	if !ok {
		return fmt.Errorf("%w: no item has the ID %q", care.ErrStaff, act.ID)
	}
	card, err := record.DecodeCard(data)
	if err != nil {
		return err
	}
	if act.Text != "" {
		if err := in.Door.Words(act.Text); err != nil {
			return fmt.Errorf("%w: %w", care.ErrStaff, err)
		}
	}
	ev := care.Event{Kind: care.StaffDid, ID: act.Event, Staff: act}
	was, err := in.Store.Load(ctx, string(card.Person))
	if err != nil {
		return err
	}
	if was.Bytes != nil {
		r, err := record.Decode(was.Bytes)
		if err != nil {
			return err
		}
		if r.Episode.ID != card.Episode {
			return in.apart(ctx, card, was.Etag, r, ev)
		}
	}
	err = in.commitFrom(ctx, card.Person, ev, func() (record.Record, bool) { return card.Record(), true })
	if errors.Is(err, ErrSeen) {
		return nil
	}
	return err
}
