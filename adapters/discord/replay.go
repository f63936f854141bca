package discord

import (
	"context"
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
	for {
		select {
		case <-ctx.Done():
			return nil
		case session := <-b.anew:
			if err := b.catchUp(ctx, session); err != nil && ctx.Err() == nil {
				b.log.ErrorContext(ctx, "not every history was read", "err", err)
				select {
				case b.anew <- session: // until it was
				default:
				}
				if pause(ctx, b.set.Retry) != nil {
					return nil
				}
			}
		}
	}
}

// behind is a talk whose history is to be read.
type behind struct {
	note
	urgent bool
	again  bool // the open question may have been answered by a press that failed
}

// catchUp reads the history of every open talk, urgent ones first.
func (b *Bot) catchUp(ctx context.Context, session string) error {
	if err := b.saveAll(ctx); err != nil {
		return err
	}
	notes, err := b.notes(ctx)
	if err != nil {
		return err
	}
	var open []behind
	for _, n := range notes {
		s, err := b.house.Intake.Standing(ctx, b.set.Person(n.User))
		if err != nil {
			return err
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
			return 0
		case a.urgent:
			return -1
		}
		return 1
	})
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(readAtOnce)
	for _, n := range open {
		g.Go(func() error { return b.catchUpWith(ctx, n, session) })
	}
	return g.Wait()
}

// mayHaveFailed reports whether somebody may sit before a question whose press
// came to nothing: one that stood before them while somebody listened. What is
// still on its way, or came while nobody listened, is not said twice.
func (b *Bot) mayHaveFailed(n note, s intake.Standing) bool {
	b.mu.Lock()
	deaf := b.deaf
	b.mu.Unlock()
	last := n.AskedAt
	if s.Heard.After(last) {
		last = s.Heard // the note of the question was not saved
	}
	return s.Asks && b.set.Now().Sub(last) <= stillThere && n.AskedAt.Before(deaf)
}

// page is how many messages Discord gives at once.
const page = 100

// catchUpWith takes in what one person wrote in the gap. A press in the gap
// has failed before their eyes: the question is asked again.
func (b *Bot) catchUpWith(ctx context.Context, n behind, session string) error {
	t := b.talk(n.User)
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
		var list []message
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
		for _, m := range slices.Backward(list) { // the newest comes first
			after = m.ID
			if m.Author.ID == n.User && !t.has(m.ID) {
				danger = danger || b.house.Screen.Read(m.Content, b.set.Locale).Sign != ""
				b.heard(m, false)
			}
		}
		if len(list) < page {
			break
		}
	}
	if danger || !n.again { // other words wait in line before it; where they were taken in before, the question stands
		return nil
	}
	b.enqueue(n.User, job{do: b.again, event: care.EventID("discord/again/" + session + "/" + n.User), token: n.Asked}, false)
	return nil
}

// has reports whether a message waits to be taken in already.
func (t *talk) has(id string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Contains(t.pending, id) || !older(t.newest, id)
}

// again repeats the open question without a noise.
func (b *Bot) again(ctx context.Context, t *talk, j job) error {
	if t.read().Asked != j.token || t.waits() {
		return nil // it was answered meanwhile, or is about to be
	}
	t.hush(true)
	defer t.hush(false)
	before := t.read()
	if err := b.hand(ctx, t, care.Event{ID: j.event, Kind: care.Opened}); err != nil {
		return err
	}
	if after := t.read(); before.Shown != "" && before.Asked != after.Asked {
		b.strip(ctx, &after, before.Shown)
	}
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
