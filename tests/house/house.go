// Package house puts the parts of the program together in one process, as
// cmd/bot does, around any store, channel and clock: for tests that need many
// people at once, a store that fails, or a look inside. What can be seen from
// outside is tested on the built program instead (package talk).
package house

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
	"turnstone/intake"
	"turnstone/locales"
	"turnstone/outbox"
	"turnstone/safety"
)

// Parts are read and checked once; they are safe to share.
type Parts struct {
	Book      *locales.Book
	Numbers   *locales.Numbers
	Screen    *safety.Screen
	Forbidden *safety.Forbidden
	Flow      *flow.Flow
	Door      safety.Door
}

// Load reads everything once a process.
var Load = sync.OnceValues(load)

func load() (*Parts, error) {
	var p Parts
	var errs [6]error
	var protocols []*protocol.Protocol
	var reader *answer.Reader
	p.Book, errs[0] = locales.Load(locales.Files)
	p.Numbers, errs[1] = locales.LoadNumbers(locales.Files)
	p.Screen, errs[2] = safety.LoadScreen(locales.Files)
	reader, errs[3] = answer.Load(locales.Files)
	protocols, errs[4] = protocol.Embedded()
	p.Forbidden, errs[5] = safety.LoadForbidden(locales.Files)
	if err := errors.Join(errs[:]...); err != nil {
		return nil, err
	}
	var err error
	p.Flow, err = flow.New(flow.Settings{
		Protocols: protocols, Current: "ankle", Reader: reader, Book: p.Book, Numbers: p.Numbers, Practice: true,
	})
	p.Door = safety.Door{Class: p.Book.Class, Forbidden: p.Forbidden.Find, Number: p.Numbers.Emergency}
	return &p, err
}

// A Store is what the whole house needs of one.
type Store interface {
	intake.Store
	outbox.Store
}

// A House is the parts around a store and a channel.
type House struct {
	*Parts
	Intake *intake.Intake
	Outbox *outbox.Outbox
}

// A Channel brings messages, and the fixed card when nothing else works.
type Channel interface {
	outbox.Sender
	intake.Cards
}

// Build puts a house together, as cmd/bot does.
func Build(p *Parts, s Store, ch Channel, now func() time.Time, log *slog.Logger) *House {
	h := &House{Parts: p}
	h.Outbox = &outbox.Outbox{Store: s, Sender: ch, Book: p.Book, Door: p.Door, Now: now, Log: log}
	h.Intake = &intake.Intake{
		Store: s, Flow: p.Flow, Screen: p.Screen, Door: p.Door, Out: h.Outbox, Cards: ch, Now: now, Log: log,
	}
	h.Outbox.Waker = h.Intake
	return h
}

// FixedCard words the card that needs no record.
func (p *Parts) FixedCard(locale care.Locale, region string) string {
	text, err := p.Book.Text(locale, p.Door.FixedCard(region))
	if err != nil {
		return fmt.Sprintf("the fixed card can't be worded: %v", err)
	}
	return text
}

// Caller is somebody in Portugal, or wherever region says.
func Caller(person care.PersonID, locale care.Locale, region string) intake.Caller {
	return intake.Caller{Person: person, Address: "test:" + string(person), Locale: locale, Zone: "Europe/Lisbon", ZoneSet: true, Region: region}
}

// A Clock stands still until it is moved.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// NewClock shows at.
func NewClock(at time.Time) *Clock { return &Clock{now: at} }

// Now is what the clock shows.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Set moves it, also back.
func (c *Clock) Set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = t
}

// Pass moves it on.
func (c *Clock) Pass(d time.Duration) { c.Set(c.Now().Add(d)) }

// A Mailbox is a channel that keeps what it is given. Fail, where set, may
// refuse a message; it is asked before the message is kept.
type Mailbox struct {
	Fail func(outbox.Message) error
	Card func(locale care.Locale, region string) string

	mu    sync.Mutex
	sent  []outbox.Message
	cards []outbox.Message
}

// Failing sets Fail while messages are being sent.
func (b *Mailbox) Failing(f func(outbox.Message) error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.Fail = f
}

// Send keeps m.
func (b *Mailbox) Send(ctx context.Context, m outbox.Message) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.Fail != nil {
		if err := b.Fail(m); err != nil {
			return err
		}
	}
	b.sent = append(b.sent, m)
	return nil
}

// CardNow keeps the fixed card.
func (b *Mailbox) CardNow(_ context.Context, c intake.Caller, event care.EventID) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	m := outbox.Message{Person: c.Person, ID: care.ItemID("card-" + string(event)), Locale: c.Locale, Card: true}
	if b.Card != nil {
		m.Text = b.Card(c.Locale, c.Region)
	}
	b.cards = append(b.cards, m)
	return nil
}

// Sent is a copy of what was sent, in order.
func (b *Mailbox) Sent() []outbox.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]outbox.Message(nil), b.sent...)
}

// Cards is a copy of the fixed cards that were sent.
func (b *Mailbox) Cards() []outbox.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]outbox.Message(nil), b.cards...)
}
