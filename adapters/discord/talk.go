package discord

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
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
	User   string      `json:"user"`
	Way    way         `json:"way"`
	Direct string      `json:"direct,omitempty"` // the channel of the direct message
	Thread string      `json:"thread,omitempty"` // the private thread
	Server string      `json:"server,omitempty"` // where the person came from: its zone and region
	Locale care.Locale `json:"locale"`
	Last   string      `json:"last,omitempty"` // the last message that was taken in, with all before it
	Own    question    `json:"own,omitzero"`   // about the account's owner
	Other  question    `json:"other,omitzero"` // about the other person that the account tells of

	Opening string    `json:"opening,omitempty"` // the command that was answered and not yet taken in
	Opened  time.Time `json:"opened,omitzero"`   // when it came
}

// A question is where the talk about one person stands.
type question struct {
	Asked  string    `json:"asked,omitempty"`   // token of the question that was shown last
	At     time.Time `json:"at,omitzero"`       // when
	Shown  string    `json:"shown,omitempty"`   // the message that holds it
	Done   string    `json:"done,omitempty"`    // token of the question that was answered last
	DoneBy string    `json:"done_by,omitempty"` // the button it was answered by
}

// about is where the talk about that person stands whom a question is about.
func (n *note) about(token string) *question {
	if care.AboutOther(token) {
		return &n.Other
	}
	return &n.Own
}

// newest is the question that was shown last.
func (n *note) newest() question {
	if n.Other.At.After(n.Own.At) {
		return n.Other
	}
	return n.Own
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
	user  string    // never changes
	users int       // who is at work with it; guarded by the bot's lock
	used  time.Time // when somebody last was; guarded by the bot's lock

	mu      sync.Mutex
	note    note
	loaded  bool
	changed bool
	carded  care.EventID // the fixed card went out for it
	live    *reply
	quiet   bool // what goes out next makes no noise
	waiting []job
	working bool
	pending []string // messages that wait to be taken in, in the order they came
	untaken []string // those that could not be: they are read again
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

// take finds an account's talk, or begins one, and keeps it there until leave.
// It asks no store: words wait in it before anything else can fail.
func (b *Bot) take(user string) *talk {
	b.mu.Lock()
	defer b.mu.Unlock()
	t := b.talks[user]
	if t == nil {
		b.makeRoom()
		t = &talk{user: user, note: note{User: user, Way: direct, Locale: b.set.Locale}}
		b.talks[user] = t
	}
	t.users++
	t.used = b.set.Now()
	return t
}

func (b *Bot) leave(t *talk) {
	b.mu.Lock()
	defer b.mu.Unlock()
	t.users--
}

// mostTalks is how many talks are kept in memory. An idle one is read from its
// note when somebody writes again.
const mostTalks = 10_000

// makeRoom lets talks go when there are too many, down to three quarters, those
// first that were idle the longest. One that holds anything that is nowhere else
// stays, however many they are. The caller holds mu.
func (b *Bot) makeRoom() {
	if len(b.talks) < b.room {
		return
	}
	var idle []*talk
	for _, t := range b.talks {
		if t.idle(b.set.Now()) {
			idle = append(idle, t)
		}
	}
	slices.SortFunc(idle, func(a, b *talk) int { return a.used.Compare(b.used) })
	for _, t := range idle[:min(len(idle), len(b.talks)-b.mostTalks*3/4)] {
		delete(b.talks, t.user)
	}
	b.room = max(b.mostTalks, len(b.talks)+b.mostTalks/4) // and not again for each one who comes
}

// idle reports whether a talk holds nothing that is nowhere else: nothing that
// waits, nothing unsaved, no press that may still be answered. The caller
// holds the bot's lock.
func (t *talk) idle(now time.Time) bool {
	if t.users > 0 || !t.mu.TryLock() { // who is at work may wait for the bot's lock
		return false
	}
	defer t.mu.Unlock()
	return !t.working && len(t.waiting) == 0 && len(t.pending)+len(t.untaken) == 0 && !t.changed && (t.live == nil || now.Sub(t.live.born) > tokenLife)
}

// load reads the note of a talk, once. Nobody waits for the talk while the store
// is asked: what hears the gateway puts its words there.
func (b *Bot) load(ctx context.Context, t *talk) error {
	t.mu.Lock()
	loaded := t.loaded
	t.mu.Unlock()
	if loaded {
		return nil
	}
	data, _, ok, err := b.house.Store.Get(ctx, b.noteKey(t.user))
	if err != nil {
		return fmt.Errorf("note of an account: %w", err)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if ok && !t.loaded {
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

// begin notes that a message waits. The caller holds the talk's lock, or has
// it alone.
func (t *talk) begin(id string) {
	if id != "" {
		t.pending, t.untaken = append(t.pending, id), without(t.untaken, id)
	}
}

// missed notes that a message could not be taken in: it is read again with the
// next session.
func (t *talk) missed(id string) {
	if id == "" {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.pending, t.untaken = without(t.pending, id), append(t.untaken, id)
}

// has reports whether a message waits to be taken in already, or was.
func (t *talk) has(id string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Contains(t.pending, id) || !older(t.newest, id) && !slices.Contains(t.untaken, id)
}

// without is a list without one of its IDs.
func without(list []string, id string) []string {
	if i := slices.Index(list, id); i >= 0 {
		return slices.Concat(list[:i], list[i+1:])
	}
	return list
}

// took notes that a message was taken in. The note moves on only as far as
// everything before was taken in too: what was not is read again.
func (t *talk) took(id string) {
	if id == "" {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.pending = without(t.pending, id)
	if older(t.newest, id) {
		t.newest = id
	}
	last := t.newest
	for _, p := range slices.Concat(t.pending, t.untaken) {
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
			if b.idle() {
				return nil // another may have written newer ones
			}
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
		t.users++ // what is being saved is not let go
		all = append(all, t)
	}
	b.mu.Unlock()
	var first error
	for _, t := range all {
		first = cmp.Or(first, b.save(ctx, t))
		b.leave(t)
	}
	return first
}

// forget drops the notes of accounts of whom nothing is kept.
func (b *Bot) forget(ctx context.Context) error {
	notes, err := b.notes(ctx)
	errs := []error{err}
	for _, n := range notes {
		s, err := b.house.Intake.Standing(ctx, b.set.Person(n.User))
		if err == nil && !s.Known && b.drop(n.User) {
			err = b.house.Store.Delete(ctx, b.noteKey(n.User), store.AnyEtag)
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// drop lets a talk go, unless somebody of this account is at work right now.
func (b *Bot) drop(user string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if t := b.talks[user]; t != nil && !t.idle(b.set.Now()) {
		return false
	}
	delete(b.talks, user)
	return true
}

// notes reads every note that can be read, and tells of the others.
func (b *Bot) notes(ctx context.Context) ([]note, error) {
	list, err := b.house.Store.List(ctx, notePrefix)
	if err != nil {
		return nil, err
	}
	var out []note
	var errs []error
	for _, v := range list {
		var n note
		if err := json.Unmarshal(v.Bytes, &n); err != nil {
			errs = append(errs, fmt.Errorf("note of the account %s: %w", strings.TrimPrefix(v.Key, notePrefix), err))
			continue
		}
		out = append(out, n)
	}
	return out, errors.Join(errs...)
}
