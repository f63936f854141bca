package discord

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/staff"
	"turnstone/store"
)

// A job is one thing that a person did.
type job struct {
	do      func(ctx context.Context, t *talk, j job) error
	event   care.EventID
	message string // the message to take in; empty for a press
	channel string
	server  string
	locale  string // as Discord tells it
	text    string
	button  string
	values  []string
	token   string // of the question that it answers
	reply   *reply
}

// Bounds of the queues. What does not fit is answered with a request to write
// it again; words with a sign of danger in them never wait in a queue.
const (
	perPerson = 32
	perBot    = 4096
)

// hear takes an event of the gateway. It runs where the library reads, so it
// does nothing that waits.
func (b *Bot) hear(kind string, raw json.RawMessage) {
	defer b.contain("event of the gateway")
	switch kind {
	case "READY":
		b.begun(raw)
	case "MESSAGE_CREATE", "MESSAGE_UPDATE":
		var m message
		if err := understood(raw, &m); err != nil {
			b.log.Error("a message is not understood", "err", err)
			return
		}
		b.heard(m, kind == "MESSAGE_UPDATE")
	case "INTERACTION_CREATE":
		var i interaction
		if err := understood(raw, &i); err != nil {
			b.log.Error("an interaction is not understood", "err", err)
			return
		}
		b.acted(i)
	}
}

// contain keeps a fault of one event from ending the program for everybody.
func (b *Bot) contain(where string) {
	if p := recover(); p != nil {
		b.log.Error("a fault was contained", "where", where, "fault", fmt.Sprint(p), "stack", string(debug.Stack()))
	}
}

// begun is a new session: what was said before it may have been missed.
func (b *Bot) begun(raw json.RawMessage) {
	var ready struct {
		Session string  `json:"session_id"`
		User    account `json:"user"`
	}
	if err := understood(raw, &ready); err != nil {
		b.log.Error("the beginning of a session is not understood", "err", err)
		return
	}
	b.mu.Lock()
	b.self = string(ready.User.ID)
	b.mu.Unlock()
	for {
		select {
		case <-b.anew: // the one before is overtaken
		case b.anew <- ready.Session:
			return
		}
	}
}

// heard takes a message. It is read for danger first.
func (b *Bot) heard(m message, edited bool) {
	b.mu.Lock()
	own := string(m.Author.ID) == b.self
	b.mu.Unlock()
	if own || m.Author.Bot {
		return
	}
	text := m.words()
	danger := b.house.Screen.Read(text, b.set.Locale).Sign != ""
	if !m.Author.ID.known() {
		b.log.Error("a message names nobody who could be answered", "danger", danger)
		return
	}
	j := job{do: b.said, event: eventID(m.ID), server: string(m.GuildID), text: text}
	if m.ID.known() {
		j.message = string(m.ID)
	}
	if m.ChannelID.known() {
		j.channel = string(m.ChannelID)
	}
	switch {
	case edited && (!danger || m.Edited == ""):
		return // a word that was mended changes no answer; danger counts
	case edited:
		j.event += care.EventID("/" + m.Edited)
		j.message = ""
	case m.GuildID != "":
		j.do, j.message = b.overheard, ""
		if !b.set.Watch {
			return
		}
	case b.staffed() && !danger && staff.Looks(text):
		j.do = b.tied
	case strings.TrimSpace(text) == "" && len(m.Attachments)+len(m.Stickers) > 0:
		j.do = b.shown
	}
	b.enqueue(string(m.Author.ID), j, danger)
}

// eventID names an event by Discord's own ID. One without has a name of its
// own: two of them would else be taken for one, and the second be lost.
func eventID(of snowflake) care.EventID {
	if !of.known() {
		of = snowflake("nameless/" + rand.Text())
	}
	return care.EventID("discord/" + of)
}

// enqueue puts a job where it waits its turn. Danger waits for nobody.
func (b *Bot) enqueue(user string, j job, danger bool) {
	t := b.take(user)
	t.mu.Lock()
	t.begin(j.message)
	if b.idle() && !danger {
		t.mu.Unlock()
		t.missed(j.message) // whoever works takes it in
		b.leave(t)
		return
	}
	if danger {
		t.mu.Unlock()
		b.start(func() { defer b.leave(t); b.work(t, j) })
		return
	}
	b.mu.Lock()
	full := len(t.waiting) >= perPerson || b.queue >= perBot
	if !full {
		b.queue++
	}
	b.mu.Unlock()
	if full {
		t.mu.Unlock()
		b.start(func() { defer b.leave(t); b.refuse(t, j) })
		return
	}
	t.waiting = append(t.waiting, j)
	begin := !t.working
	t.working = true
	t.mu.Unlock()
	if begin {
		b.start(func() { b.workOff(t) })
	}
}

func (b *Bot) start(f func()) {
	b.working.Go(func() {
		defer b.contain("work")
		f()
	})
}

// workOff does what waits for one person, in order.
func (b *Bot) workOff(t *talk) {
	for {
		t.mu.Lock()
		if len(t.waiting) == 0 {
			t.working = false
			t.mu.Unlock()
			return
		}
		j := t.waiting[0]
		t.waiting = t.waiting[1:]
		t.mu.Unlock()
		b.mu.Lock()
		b.queue--
		b.mu.Unlock()
		select {
		case <-b.base.Done():
		case b.slots <- struct{}{}:
			b.work(t, j)
			<-b.slots
		}
		b.leave(t)
	}
}

// refuse says that something was not taken in. Whoever was told writes again.
func (b *Bot) refuse(t *talk, j job) {
	ctx, cancel := context.WithTimeout(b.base, cardTime)
	defer cancel()
	if err := errors.Join(b.load(ctx, t), b.tell(ctx, t, j.reply, "discord.busy")); err != nil {
		b.log.Error("somebody could not be told that it is too much at once", "err", err)
		t.missed(j.message)
		return
	}
	t.took(j.message)
}

// How often a job is tried, and the time of each try: intake's own limit.
const (
	jobTries = 4
	turnTime = 2 * time.Second
)

// work does one job. What was not taken in is read again with the next
// session, also where a fault ended it.
func (b *Bot) work(t *talk, j job) {
	taken := false
	defer func() {
		if taken {
			t.took(j.message)
		} else {
			t.missed(j.message)
		}
	}()
	defer b.contain("job")
	taken = b.try(t, j)
}

// try does one job, several times where the house could not take it in; then
// the person is told. It reports whether that settles it.
func (b *Bot) try(t *talk, j job) bool {
	var err error
	for n := range jobTries {
		if n > 0 && pause(b.base, 200*time.Millisecond<<n) != nil {
			return false
		}
		ctx, cancel := context.WithTimeout(b.base, turnTime)
		if err = b.load(ctx, t); err == nil || j.text != "" {
			err = j.do(ctx, t, j)
		}
		cancel()
		if err == nil {
			return true
		}
		if t.wasCarded(j.event) {
			return false // intake raises it as soon as it can; read again it is known
		}
	}
	if b.idle() {
		return false // another works, and answers
	}
	b.log.Error("something could not be taken in", "event", string(j.event), "err", err)
	ctx, cancel := context.WithTimeout(b.base, cardTime)
	defer cancel()
	if told := b.tell(ctx, t, j.reply, "discord.failed"); told != nil {
		b.log.Error("nor could they be told", "event", string(j.event), "err", told)
		return false
	}
	return !errors.Is(err, store.ErrDown)
}

func (t *talk) wasCarded(e care.EventID) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return e != "" && t.carded == e
}

// hand hands an event in. What is no fault of the house is settled here.
func (b *Bot) hand(ctx context.Context, t *talk, ev care.Event) error {
	n := t.read()
	c := intake.Caller{Person: b.set.Person(n.User), Address: address(n.User), Locale: n.Locale, Zone: "UTC", Shared: true}
	if s, ok := b.server(ctx, n.Server); ok {
		c.Zone, c.Region = s.Zone, s.Region
		if _, configured := b.set.Servers[n.Server]; configured {
			c.Server = n.Server
		}
	}
	err := b.house.Intake.Handle(ctx, c, ev)
	if errors.Is(err, intake.ErrSeen) || errors.Is(err, care.ErrBadChoice) || errors.Is(err, care.ErrNoAsk) {
		return nil
	}
	return err
}

// said hands typed words in, and takes the buttons off the question that they
// answered.
func (b *Bot) said(ctx context.Context, t *talk, j job) error {
	t.change(func(n *note) {
		switch {
		case j.reply != nil:
		case j.server != "":
			n.Thread, n.Way = j.channel, thread
		default:
			n.Direct, n.Way = cmp.Or(j.channel, n.Direct), direct
		}
	})
	if first := t.read().Last == "" && j.message != ""; first { // before anything is committed, so that whoever follows knows where to read
		t.change(func(n *note) { n.Last = before(j.message) })
		if err := b.save(ctx, t); err != nil {
			b.log.ErrorContext(ctx, "a talk begins without a note", "err", err)
		}
	}
	before := t.read()
	if err := b.hand(ctx, t, care.Event{ID: j.event, Kind: care.Said, Text: j.text, Token: j.token}); err != nil {
		return err
	}
	if j.reply != nil && j.reply.held.ID != "" {
		b.answered(j.reply, stripped{Rows: []row{}})
		return nil
	}
	if after := t.read(); after.Way != private && before.Way == after.Way {
		b.stripAnswered(&before, &after)
	}
	return nil
}

// shown answers a picture, a voice message or a file.
func (b *Bot) shown(ctx context.Context, t *talk, j job) error {
	t.change(func(n *note) { n.Direct, n.Way = cmp.Or(j.channel, n.Direct), direct })
	return b.tell(ctx, t, j.reply, "no_pictures")
}
