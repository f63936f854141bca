// Package outbox delivers what was committed, wakes what is due, and keeps
// trying. Follow-ups, repeats, timers and "nobody has this one" are the same
// thing: an item with a due time. There is one loop.
package outbox

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/safety"
	"turnstone/store"
)

// A Store is what the outbox needs from a store.
type Store interface {
	Load(ctx context.Context, person string) (store.Record, error)
	Commit(ctx context.Context, w store.Write) error
	Claim(ctx context.Context, now time.Time, lane store.Lane, n int, lease time.Duration) ([]string, error)
	NextDue(ctx context.Context, lane store.Lane) (time.Time, bool, error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
	Delete(ctx context.Context, key string, etag uint64) error
	Wake() <-chan struct{}
}

// A Sender brings one message to a person. The ID is the same whenever the
// same message is sent again; a channel that can tell repeats by it does.
type Sender interface {
	Send(ctx context.Context, m Message) error
}

// ErrUnreachable is a Sender's answer when the channel will not bring this
// person anything any more: they blocked it, or left. The message is given up
// and staff are told; any other error is tried again.
var ErrUnreachable = errors.New("the channel can't reach this person any more")

// A Waker does an item whose time has come and that is more than a delivery.
type Waker interface {
	Due(ctx context.Context, person care.PersonID, it care.Item) error
	Retry(ctx context.Context)
}

// A Book has the sentences.
type Book interface {
	Text(locale care.Locale, s care.Sentence) (string, error)
	Class(key care.SentenceKey) (care.SentenceClass, bool)
}

// A Message is what a channel shows: words in the person's language.
type Message struct {
	Person  care.PersonID
	Address string
	Locale  care.Locale
	ID      care.ItemID
	At      time.Time
	Text    string // lines; one instruction a line
	Picture string
	Ask     *Ask
	Card    bool // an emergency card: impossible to miss
}

// An Ask is the question at the end of a message.
type Ask struct {
	Token   string
	Facts   []care.Fact
	Kind    care.Kind
	Choices []Choice
}

// A Choice is one answer with its label.
type Choice struct{ Value, Label string }

// Time-outs of one delivery, a third of the lease or less.
const (
	urgentSend  = 1500 * time.Millisecond
	routineSend = 10 * time.Second
)

// An Outbox delivers. Its fields are set once, before the first delivery.
type Outbox struct {
	Store  Store
	Sender Sender
	Waker  Waker
	Book   Book
	Door   safety.Door
	Now    func() time.Time
	Log    *slog.Logger

	// AtOnce is how many people are delivered to side by side; 0 is one after
	// another. Each person's own messages keep their order whatever it is.
	AtOnce int

	// Raised, where set, is told that the staff list has changed. It must not
	// wait for anything.
	Raised func()
}

// Deliver does everything that is due now for one person, urgent first. What
// fails to be sent stays due and is tried again when the lease runs out; in a
// lane it holds up what comes after it, never the other lane.
func (o *Outbox) Deliver(ctx context.Context, person care.PersonID) error {
	return errors.Join(o.lane(ctx, person, store.Urgent), o.lane(ctx, person, store.Routine))
}

// turns bounds how much one call does for one person.
const turns = 1000

func (o *Outbox) lane(ctx context.Context, person care.PersonID, lane store.Lane) error {
	lease := record.UrgentLease
	if lane == store.Routine {
		lease = record.RoutineLease
	}
	began := time.Now()
	var stuck stuck
	for range turns {
		if time.Since(began) > lease {
			break // somebody else may have it by now; what is left is claimed again
		}
		was, err := o.Store.Load(ctx, string(person))
		if err != nil {
			return fmt.Errorf("load: %w", err)
		}
		if was.Bytes == nil {
			break
		}
		r, err := record.Decode(was.Bytes)
		if err != nil {
			return err
		}
		it, ok := stuck.first(r.Episode.Agenda, lane, o.Now())
		if !ok {
			break
		}
		if err := o.do(ctx, person, was.Etag, r, it); err != nil {
			stuck.add(it, err)
		}
	}
	return errors.Join(stuck.errs...)
}

// stuck are the ways that failed in one call: a channel that is down holds up
// the messages after the one that failed, but neither the staff list nor a
// check, and the other way round.
type stuck struct {
	ways []string
	errs []error
}

func way(it care.Item) string {
	if it.What == care.DoSay || it.What == care.DoRaise {
		return it.What
	}
	return string(it.ID)
}

func (s *stuck) add(it care.Item, err error) {
	s.ways = append(s.ways, way(it))
	s.errs = append(s.errs, fmt.Errorf("item %s: %w", it.ID, err))
}

// first is the earliest item of a lane that is due: items of one instant come
// in the order in which they were made, what the person reads before the rest.
func (s *stuck) first(agenda []care.Item, lane store.Lane, now time.Time) (care.Item, bool) {
	best := -1
	for i, it := range agenda {
		if record.LaneOf(it) != lane || record.Due(it).After(now) || slices.Contains(s.ways, way(it)) {
			continue
		}
		if best < 0 || it.Due.Before(agenda[best].Due) || it.Due.Equal(agenda[best].Due) && it.What == care.DoSay && agenda[best].What != care.DoSay {
			best = i
		}
	}
	if best < 0 {
		return care.Item{}, false
	}
	return agenda[best], true
}

// do does one item and commits that it is done.
func (o *Outbox) do(ctx context.Context, person care.PersonID, etag store.Etag, r record.Record, it care.Item) error {
	switch it.What {
	case care.DoSay:
		line, err := o.say(ctx, person, r, it)
		var then []care.Item
		if errors.Is(err, ErrUnreachable) {
			o.Log.WarnContext(ctx, "a person can't be reached", "item", string(it.ID))
			line.Type, then, err = care.LineDropped, unreached(r.Episode, it), nil
		}
		if err != nil {
			return err
		}
		return o.done(ctx, person, etag, r, it, line, then...)
	case care.DoRaise:
		if err := o.raise(ctx, person, r, it); err != nil {
			return err
		}
		if o.Raised != nil {
			o.Raised()
		}
		return o.done(ctx, person, etag, r, it, care.Line{})
	default:
		return o.Waker.Due(ctx, person, it)
	}
}

// unreached is the word to staff that a message came back. Nothing is left to
// say about somebody who is to be forgotten.
func unreached(ep care.Episode, it care.Item) []care.Item {
	if ep.Erasing {
		return nil
	}
	return []care.Item{{ID: it.ID + "-unreached", What: care.DoUnreached, Due: it.Due, Urgent: it.Urgent}}
}

// say holds a message against the gate once more, since the episode may have
// moved on, and sends it.
func (o *Outbox) say(ctx context.Context, person care.PersonID, r record.Record, it care.Item) (care.Line, error) {
	line := care.Line{Type: care.LineSent, At: o.Now(), ID: string(it.ID), What: it.What}
	if err := o.Door.Pass(&r.Episode, it.Say); err != nil && !r.Episode.Erasing {
		o.Log.ErrorContext(ctx, "a message was stopped at the gate", "item", string(it.ID), "err", err)
		line.Type = care.LineDropped
		return line, nil
	}
	m, err := o.Render(r.Episode, it)
	if err != nil { // it never will be: something else must be said, or all that follows waits for ever
		o.Log.ErrorContext(ctx, "a message can't be put into words", "item", string(it.ID), "err", err)
		it.Say = &care.Message{Lines: []care.Sentence{o.instead(&r.Episode)}}
		if m, err = o.Render(r.Episode, it); err != nil {
			return line, err
		}
	}
	m.Person, m.Address = person, r.Address
	limit := routineSend
	if it.Urgent {
		limit = urgentSend
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	return line, o.Sender.Send(ctx, m)
}

// instead is what the person reads where a message can't be put into words.
func (o *Outbox) instead(ep *care.Episode) care.Sentence {
	if ep.Open {
		return o.Door.FixedCard(ep.Region)
	}
	return o.Door.Fault(ep.Region)
}

// raise puts an escalation on the staff list. Doing it twice is doing it once.
func (o *Outbox) raise(ctx context.Context, person care.PersonID, r record.Record, it care.Item) error {
	i := slices.IndexFunc(r.Episode.Escalations, func(e care.Escalation) bool { return e.ID == it.About })
	if i < 0 {
		return nil // taken back before it went out
	}
	e := r.Episode.Escalations[i]
	card, err := record.CardOf(person, r, e).Encode()
	if err != nil {
		return err
	}
	switch {
	case e.Bare && e.State == care.StateClosed:
		return o.Store.Delete(ctx, record.CardKey(e.ID), store.AnyEtag)
	case e.Bare:
		return o.Store.Put(ctx, record.CardKey(e.ID), card, store.AnyEtag, e.Since.Add(bareKept))
	case e.State == care.StateClosed:
		return o.Store.Put(ctx, record.CardKey(e.ID), card, store.AnyEtag, o.Now().Add(closedKept))
	default:
		return o.Store.Put(ctx, record.CardKey(e.ID), card, store.AnyEtag, time.Time{})
	}
}

// How long cards stay on the staff list: a bare one with its way to answer
// (common practice, no source), and a closed one, so that it can be opened
// again.
const (
	bareKept   = 7 * 24 * time.Hour
	closedKept = 30 * 24 * time.Hour
)

// done takes an item off the agenda, and puts what follows from it there. If the record has moved on it is read
// anew and marked again: the item was done.
func (o *Outbox) done(ctx context.Context, person care.PersonID, etag store.Etag, r record.Record, it care.Item, line care.Line, then ...care.Item) error {
	for {
		r.Episode.Agenda = slices.DeleteFunc(slices.Clone(r.Episode.Agenda), func(a care.Item) bool { return a.ID == it.ID })
		r.Episode.Agenda = append(r.Episode.Agenda, then...)
		var log []care.Line
		if line.Type != "" {
			log = append(log, line)
		}
		w, err := record.Write(person, etag, record.Nonce(), r, log, o.Now())
		if err != nil {
			return err
		}
		err = o.Store.Commit(ctx, w)
		if !errors.Is(err, store.ErrStale) {
			return err
		}
		was, err := o.Store.Load(ctx, string(person))
		if err != nil || was.Bytes == nil {
			return err
		}
		if r, err = record.Decode(was.Bytes); err != nil {
			return err
		}
		if !slices.ContainsFunc(r.Episode.Agenda, func(a care.Item) bool { return a.ID == it.ID }) {
			return nil // marked, or dropped, by whoever was first
		}
		etag = was.Etag
	}
}

// Render puts an item into words. What cannot be put into words is an error,
// never half a sentence.
func (o *Outbox) Render(ep care.Episode, it care.Item) (Message, error) {
	m := Message{Locale: ep.Locale, ID: it.ID, At: o.Now(), Picture: it.Say.Picture}
	var lines []string
	for _, s := range it.Say.Lines {
		text, err := o.Book.Text(ep.Locale, s)
		if err != nil {
			return m, fmt.Errorf("sentence %q in %s: %w", s.Key, ep.Locale, err)
		}
		class, _ := o.Book.Class(s.Key)
		m.Card = m.Card || class == care.ClassDanger
		for line := range strings.SplitSeq(text, "\n") {
			if class == care.ClassDanger && slices.Contains(lines, line) {
				continue // two dangers may ask for the same: said twice, it takes longer to read
			}
			lines = append(lines, line)
		}
	}
	m.Text = strings.Join(lines, "\n")
	if ask := it.Say.Ask; ask != nil {
		m.Ask = &Ask{Token: ask.Token, Facts: ask.Facts, Kind: ask.Kind}
		for _, c := range ask.Choices {
			label, err := o.Book.Text(ep.Locale, care.Sentence{Key: c.Label})
			if err != nil {
				return m, fmt.Errorf("label %q in %s: %w", c.Label, ep.Locale, err)
			}
			m.Ask.Choices = append(m.Ask.Choices, Choice{Value: c.Value, Label: label})
		}
	}
	return m, nil
}
