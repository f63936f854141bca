package discord

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	"turnstone/care"
	"turnstone/store"
)

// A way is how a person is written to.
type way string

// The ways, in the order in which they are tried.
const (
	direct  way = "direct"  // a direct message
	private way = "private" // replies in a server that only this person sees
	thread  way = "thread"  // a private thread; the server's moderators can read it
)

// A note is what is kept of an account beside its record: where it is written
// to, and how far its words were taken in. It holds nothing about health.
type note struct {
	User    string      `json:"user"`
	Way     way         `json:"way"`
	Direct  string      `json:"direct,omitempty"` // the channel of the direct message
	Thread  string      `json:"thread,omitempty"` // the private thread
	Server  string      `json:"server,omitempty"` // where the person came from: its zone and region
	Locale  care.Locale `json:"locale"`
	Last    string      `json:"last,omitempty"`    // the last message that was taken in, with all before it
	Asked   string      `json:"asked,omitempty"`   // token of the question that was shown last
	AskedAt time.Time   `json:"asked_at,omitzero"` // when
	Shown   string      `json:"shown,omitempty"`   // the message that holds it
	Opening string      `json:"opening,omitempty"` // the command that was answered and not yet taken in
	Opened  time.Time   `json:"opened,omitzero"`   // when it came
	Done    string      `json:"done,omitempty"`    // token of the question that was answered last
	DoneBy  string      `json:"done_by,omitempty"` // the button it was answered by
}

const notePrefix = "discord/account/"

// noteKey is where a note lies: under the pseudonym, since keys can be read
// where what they hold can not.
func (b *Bot) noteKey(user string) string { return notePrefix + string(b.set.Person(user)) }

// Kept is the note of an account as a bot leaves it behind that wrote to it in
// a direct message, and took in all up to last: a key and a named value. It is
// for filling a store that a bot will work on.
func Kept(person care.PersonID, user, channel, server string, locale care.Locale, last string) (key string, value []byte, err error) {
	value, err = json.Marshal(note{User: user, Way: direct, Direct: channel, Server: server, Locale: locale, Last: last})
	return notePrefix + string(person), value, err
}

// noteKept is how long a note outlives the last sign of its account: longer
// than the last check is away.
const noteKept = 200 * 24 * time.Hour

// A talk is one account at work: its note, what waits to be handled, and the
// last interaction that may still be answered.
type talk struct {
	mu      sync.Mutex
	note    note
	loaded  bool
	changed bool
	carded  care.EventID // the fixed card went out for it
	live    *reply
	quiet   bool // what goes out next makes no noise
	waiting []job
	working bool
	pending []string // messages that are not taken in yet, in the order they came
	newest  string   // the last message that was taken in, whatever is pending before it
}

// channel is where a message to the person goes, without an interaction.
func (n *note) channel() string {
	switch n.Way {
	case direct:
		return n.Direct
	case thread:
		return n.Thread
	default:
		return ""
	}
}

// talk finds an account's talk, or begins one. It asks no store: words wait
// in it before anything else can fail.
func (b *Bot) talk(user string) *talk {
	b.mu.Lock()
	defer b.mu.Unlock()
	t := b.talks[user]
	if t == nil {
		t = &talk{note: note{User: user, Way: direct, Locale: b.set.Locale}}
		b.talks[user] = t
	}
	return t
}

// load reads the note of a talk, once.
func (b *Bot) load(ctx context.Context, t *talk) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.loaded {
		return nil
	}
	data, _, ok, err := b.house.Store.Get(ctx, b.noteKey(t.note.User))
	if err != nil {
		return fmt.Errorf("note of an account: %w", err)
	}
	if ok {
		was := t.note
		if err := json.Unmarshal(data, &t.note); err != nil {
			return fmt.Errorf("note of an account: %w", err)
		}
		t.note.Direct = cmp.Or(t.note.Direct, was.Direct)
	}
	t.loaded = true
	return nil
}

// change changes the note.
func (t *talk) change(f func(n *note)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	was := t.note
	f(&t.note)
	t.changed = t.changed || t.note != was
}

func (t *talk) read() note {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.note
}

// took notes that a message was taken in. The note moves on only as far as
// everything before was taken in too: what was not is read again.
func (t *talk) took(id string) {
	if id == "" {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, p := range t.pending {
		if p == id {
			t.pending = append(t.pending[:i:i], t.pending[i+1:]...)
			break
		}
	}
	if older(t.newest, id) {
		t.newest = id
	}
	last := t.newest
	for _, p := range t.pending {
		if !older(last, p) {
			last = before(p)
		}
	}
	if older(t.note.Last, last) {
		t.note.Last, t.changed = last, true
	}
}

// older compares two IDs: they are numbers that grow with time.
func older(a, b string) bool {
	if len(a) != len(b) {
		return len(a) < len(b)
	}
	return a < b
}

// before is the number just below an ID.
func before(id string) string {
	b := []byte(id)
	for i := len(b) - 1; i >= 0; i-- {
		if b[i] > '0' {
			b[i]--
			break
		}
		b[i] = '9'
	}
	return string(b)
}

// save writes a note if it has changed. Nothing is kept of an account that
// nothing is known of any more.
func (b *Bot) save(ctx context.Context, t *talk) error {
	t.mu.Lock()
	n, changed := t.note, t.changed && t.loaded
	t.changed = t.changed && !changed
	t.mu.Unlock()
	if !changed {
		return nil
	}
	data, err := json.Marshal(n)
	if err == nil {
		err = b.house.Store.Put(ctx, b.noteKey(n.User), data, store.AnyEtag, b.set.Now().Add(noteKept))
	}
	if err != nil {
		t.mu.Lock()
		t.changed = true
		t.mu.Unlock()
		return fmt.Errorf("note of an account: %w", err)
	}
	return nil
}

// Times of the loop that keeps the notes.
const (
	saveEvery  = time.Second
	sweepEvery = time.Hour
)

// keep saves changed notes, and forgets those of accounts that were erased. A
// note that was not saved is older than it could be: words are read twice and
// known by their IDs.
func (b *Bot) keep(ctx context.Context) error {
	save, sweep := time.NewTicker(saveEvery), time.NewTicker(sweepEvery)
	defer save.Stop()
	defer sweep.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			return b.saveAll(context.WithoutCancel(ctx))
		case <-save.C:
			err = b.saveAll(ctx)
		case <-sweep.C:
			err = b.forget(ctx)
		}
		if err != nil && ctx.Err() == nil {
			b.log.ErrorContext(ctx, "the notes of accounts are not up to date", "err", err)
		}
	}
}

func (b *Bot) saveAll(ctx context.Context) error {
	b.mu.Lock()
	all := make([]*talk, 0, len(b.talks))
	for _, t := range b.talks {
		all = append(all, t)
	}
	b.mu.Unlock()
	var first error
	for _, t := range all {
		first = cmp.Or(first, b.save(ctx, t))
	}
	return first
}

// forget drops the notes of accounts of whom nothing is kept.
func (b *Bot) forget(ctx context.Context) error {
	notes, err := b.notes(ctx)
	if err != nil {
		return err
	}
	for _, n := range notes {
		s, err := b.house.Intake.Standing(ctx, b.set.Person(n.User))
		if err != nil {
			return err
		}
		if s.Known || b.busy(n.User) {
			continue
		}
		b.mu.Lock()
		delete(b.talks, n.User)
		b.mu.Unlock()
		if err := b.house.Store.Delete(ctx, b.noteKey(n.User), store.AnyEtag); err != nil {
			return err
		}
	}
	return nil
}

// busy reports whether somebody of this account is at work right now.
func (b *Bot) busy(user string) bool {
	b.mu.Lock()
	t := b.talks[user]
	b.mu.Unlock()
	if t == nil {
		return false
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.working || len(t.waiting) > 0 || len(t.pending) > 0
}

// notes reads every note.
func (b *Bot) notes(ctx context.Context) ([]note, error) {
	list, err := b.house.Store.List(ctx, notePrefix)
	if err != nil {
		return nil, err
	}
	var out []note
	for _, v := range list {
		var n note
		if err := json.Unmarshal(v.Bytes, &n); err != nil {
			return nil, fmt.Errorf("note of an account: %w", err)
		}
		out = append(out, n)
	}
	return out, nil
}
