package discord

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"turnstone/care"
	"turnstone/intake"
)

// readAtOnce is how many histories are read at the same moment.
const readAtOnce = 4

// stillThere is how long after a question somebody is thought to sit before
// it: a press that failed is made good by asking again, and nobody is woken
// (common practice, no source).
const stillThere = 30 * time.Minute

// replay reads after every new session what was said while nobody listened.
func (b *Bot) replay(ctx context.Context) error {
	wait := b.set.Retry
	for {
		select {
		case <-ctx.Done():
			return nil
		case session := <-b.anew:
			err := b.catchUp(ctx, session)
			if err == nil || ctx.Err() != nil {
				wait = b.set.Retry
				continue
			}
			b.log.ErrorContext(ctx, "not every history was read", "err", err)
			select {
			case b.anew <- session: // until it was
			default:
			}
			if pause(ctx, wait) != nil {
				return nil
			}
			wait = min(2*wait, longestWait)
		}
	}
}

// behind is a talk whose history is to be read.
type behind struct {
	note
	urgent bool
	again  bool // the open question may have been answered by a press that failed
}

// catchUp reads the history of every open talk, urgent ones first, then who was
// asked last: they are the likeliest to have written, and the pace of calls
// lets some 35 histories a second be read.
//
// One account that can't be read holds no other up.
func (b *Bot) catchUp(ctx context.Context, session string) error {
	notes, err := b.notes(ctx)
	errs := []error{b.saveAll(ctx), err}
	var open []behind
	for _, n := range notes {
		s, err := b.house.Intake.Standing(ctx, b.set.Person(n.User))
		if err != nil {
			errs = append(errs, err)
			s.Open = true // perhaps
		}
		if n.Opening != "" && b.set.Now().Sub(n.Opened) <= stillThere { // the command was answered, and then the program died
			b.enqueue(n.User, job{do: b.openedOnce, event: care.EventID(n.Opening)}, false)
		}
		if s.Open && (n.channel() != "" || n.Way == direct) {
			open = append(open, behind{n, s.Urgent, b.mayHaveFailed(n, s)})
		}
	}
	slices.SortStableFunc(open, func(a, b behind) int {
		switch {
		case a.urgent == b.urgent:
			return b.newest().At.Compare(a.newest().At)
		case a.urgent:
			return -1
		}
		return 1
	})
	var g errgroup.Group
	g.SetLimit(readAtOnce)
	failed := make([]error, len(open))
	for i, n := range open {
		g.Go(func() error {
			failed[i] = b.catchUpWith(ctx, n, session)
			return nil
		})
	}
	return errors.Join(append(append(errs, g.Wait()), failed...)...)
}

// mayHaveFailed reports whether somebody may sit before a question whose press
// came to nothing: one that stood before them while somebody listened. What is
// still on its way, or came while nobody listened, is not said twice.
func (b *Bot) mayHaveFailed(n note, s intake.Standing) bool {
	b.mu.Lock()
	deaf := b.deaf
	b.mu.Unlock()
	asked := n.newest().At
	last := asked
	if s.Heard.After(last) {
		last = s.Heard // the note of the question was not saved
	}
	return s.Asks && b.set.Now().Sub(last) <= stillThere && asked.Before(deaf)
}

// page is how many messages Discord gives at once.
const page = 100

// catchUpWith takes in what one person wrote in the gap. A press in the gap
// has failed before their eyes: the question is asked again.
func (b *Bot) catchUpWith(ctx context.Context, n behind, session string) error {
	t := b.take(n.User)
	defer b.leave(t)
	if err := b.load(ctx, t); err != nil {
		return err
	}
	if n.channel() == "" { // who answered first died before it noted where
		id, err := b.openDirect(ctx, n.User, n.urgent)
		if gone(err) {
			return nil
		}
		if err != nil {
			return err
		}
		n.Direct = id
		t.change(func(n *note) { n.Direct = id })
	}
	danger := false
	for after := t.read().Last; after != ""; {
		var list []json.RawMessage
		err := b.client.do(ctx, call{
			route: route{name: "history", major: n.channel(), urgent: n.urgent}, method: http.MethodGet,
			path: fmt.Sprintf("channels/%s/messages?after=%s&limit=%d", n.channel(), after, page),
		}, &list)
		if gone(err) {
			return nil
		}
		if err != nil {
			return err
		}
		read := after
		for _, raw := range slices.Backward(list) { // the newest comes first
			var m message
			if err := understood(raw, &m); err != nil {
				return err
			}
			if older(after, string(m.ID)) {
				after = string(m.ID)
			}
			if string(m.Author.ID) == n.User && !t.has(string(m.ID)) {
				danger = danger || b.house.Screen.Read(m.words(), b.set.Locale).Sign != ""
				b.heard(m, false)
			}
		}
		if len(list) < page || after == read {
			break
		}
	}
	open := n.newest()
	if danger || !n.again || open.Asked == "" { // other words wait in line before it; where they were taken in before, the question stands
		return nil
	}
	b.enqueue(n.User, job{do: b.again, event: care.EventID("discord/again/" + session + "/" + n.User), token: open.Asked}, false)
	return nil
}

// again repeats the open question without a noise.
func (b *Bot) again(ctx context.Context, t *talk, j job) error {
	before := t.read()
	if before.about(j.token).Asked != j.token || t.waits() {
		return nil // it was answered meanwhile, or is about to be
	}
	t.hush(true)
	defer t.hush(false)
	if err := b.hand(ctx, t, care.Event{ID: j.event, Kind: care.Opened, Token: j.token}); err != nil {
		return err
	}
	after := t.read()
	b.stripAnswered(&before, &after)
	return nil
}

// waits reports whether the person did something that is not handled yet.
func (t *talk) waits() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.waiting) > 0
}

func (t *talk) hush(on bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.quiet = on
}
