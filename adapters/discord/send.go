package discord

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
)

// A reply is an interaction that may be answered: for 15 minutes, and only
// after its first answer went through within 3 seconds.
type reply struct {
	id, token string
	born      time.Time
	server    string
	channel   string
	held      heldMessage // the message whose button was pressed
	answered  chan struct{}
	err       error // of the first answer, once answered is closed

	mu      sync.Mutex
	waiting bool // a waiting line stands there and must be filled
}

// tokenLife is how long an interaction may be answered: Discord allows 15
// minutes from its beginning.
const tokenLife = 14*time.Minute + 30*time.Second

// usable waits for the first answer and reports whether more may follow.
func (r *reply) usable(ctx context.Context, now time.Time) bool {
	if r == nil || now.Sub(r.born) > tokenLife {
		return false
	}
	select {
	case <-ctx.Done():
		return false
	case <-r.answered:
		return r.err == nil
	}
}

// fill takes the waiting line; only one message fills it.
func (r *reply) fill() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	was := r.waiting
	r.waiting = false
	return was
}

// Send brings a message by the first way that Discord takes.
func (b *Bot) Send(ctx context.Context, m outbox.Message) error {
	user, ok := strings.CutPrefix(m.Address, address(""))
	if !ok {
		return fmt.Errorf("%w: item %s goes to no account of Discord", outbox.ErrUnreachable, m.ID)
	}
	t := b.take(user)
	defer b.leave(t)
	if err := b.loadFor(ctx, t, m); err != nil && !m.Card {
		return err // a card goes out without a note
	}
	id, err := b.bring(ctx, t, m)
	if err != nil {
		return err
	}
	t.change(func(n *note) {
		if n.Last == "" && n.Way != private {
			n.Last = id // the history begins here
		}
	})
	if m.Ask != nil {
		t.change(func(n *note) {
			q := n.about(m.Ask.Token)
			q.Asked, q.At, q.Shown = m.Ask.Token, b.set.Now(), id
		})
	}
	return nil
}

// cardWaits is how long a card waits for the note: a store that hangs has made
// the person wait before.
const cardWaits = 300 * time.Millisecond

// loadFor reads the note that a message goes by.
func (b *Bot) loadFor(ctx context.Context, t *talk, m outbox.Message) error {
	if !m.Card {
		return b.load(ctx, t)
	}
	ctx, cancel := context.WithTimeout(ctx, cardWaits)
	defer cancel()
	return b.load(ctx, t)
}

// CardNow brings the fixed emergency card without a record.
func (b *Bot) CardNow(ctx context.Context, c intake.Caller, event care.EventID) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), cardTime) // the time of the turn may be over
	defer cancel()
	err := b.Send(ctx, outbox.Message{
		Person: c.Person, Address: c.Address, Locale: c.Locale, ID: care.ItemID("card-" + string(event)), Text: b.set.Fixed(c.Locale, c.Region), Card: true,
	})
	if user, ok := strings.CutPrefix(c.Address, address("")); ok && err == nil {
		t := b.take(user)
		defer b.leave(t)
		t.mu.Lock()
		t.carded = event
		t.mu.Unlock()
	}
	return err
}

const cardTime = 10 * time.Second

// bring tries the way that is in use, then the others in their order.
func (b *Bot) bring(ctx context.Context, t *talk, m outbox.Message) (id string, err error) {
	var refusals []error
	for _, w := range b.ways(ctx, t) {
		id, err := b.by(ctx, t, w, m)
		if err == nil {
			t.change(func(n *note) { n.Way = w })
			return id, nil
		}
		if !gone(err) {
			return "", err
		}
		refusals = append(refusals, err)
	}
	return "", fmt.Errorf("%w: %w", outbox.ErrUnreachable, errors.Join(refusals...))
}

// ways lists the ways that are open, the one in use first.
func (b *Bot) ways(ctx context.Context, t *talk) []way {
	n, live := t.read(), t.answer()
	var list []way
	for _, w := range []way{n.Way, direct, private, thread} {
		switch {
		case len(list) > 0 && (w == list[0] || w == list[len(list)-1]),
			w == private && (live == nil || live.server == "" || !live.usable(ctx, b.set.Now())),
			w == thread && n.Thread == "":
		default:
			list = append(list, w)
		}
	}
	return list
}

func (t *talk) answer() *reply {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.live
}

// gone reports whether Discord will not bring anything this way any more.
func gone(err error) bool {
	return refusedFor(err, codeCannotMessage, codeNoMutualServer, codeUnknownChannel, codeUnknownUser, codeMissingAccess, codeMissingPermissions, codeUnknownInteraction, codeBadToken)
}

// by sends the parts of a message one way and returns the ID of the last.
func (b *Bot) by(ctx context.Context, t *talk, w way, m outbox.Message) (id string, err error) {
	parts, err := b.pages(m, w == private || w == thread && !b.set.Watch, w)
	if err != nil {
		return "", err
	}
	t.mu.Lock()
	quiet := t.quiet && !m.Card
	t.mu.Unlock()
	for _, p := range parts {
		if quiet {
			p.Flags |= silent
		}
		if w == private {
			id, err = b.reply(ctx, t.answer(), p.body)
		} else {
			id, err = b.post(ctx, t, w, p, m.Card)
		}
		if err != nil {
			return "", err
		}
	}
	return id, nil
}

type sent struct {
	ID string `json:"id"`
}

// post puts a message into the person's channel. Its nonce makes a repeat
// harmless.
func (b *Bot) post(ctx context.Context, t *talk, w way, p posted, urgent bool) (string, error) {
	n := t.read()
	channel := n.Thread
	if w == direct {
		channel = n.Direct
	}
	if channel == "" {
		var err error
		if channel, err = b.openDirect(ctx, n.User, urgent); err != nil {
			return "", err
		}
		t.change(func(n *note) { n.Direct = channel })
	}
	return b.postTo(ctx, channel, p, urgent)
}

func (b *Bot) postTo(ctx context.Context, channel string, p posted, urgent bool) (string, error) {
	var s sent
	err := b.client.do(ctx, call{
		route: route{name: "post", major: channel, urgent: urgent}, method: http.MethodPost, path: "channels/" + channel + "/messages", body: p, picture: p.picture,
	}, &s)
	return s.ID, err
}

// openDirect opens the direct message with an account, or finds it.
func (b *Bot) openDirect(ctx context.Context, user string, urgent bool) (string, error) {
	var s sent
	err := b.client.do(ctx, call{
		route: route{name: "direct", urgent: urgent}, method: http.MethodPost, path: "users/@me/channels", body: map[string]string{"recipient_id": user},
	}, &s)
	return s.ID, err
}

// reply says something that only the person sees: in the waiting line, or
// below.
func (b *Bot) reply(ctx context.Context, r *reply, p body) (string, error) {
	if !r.usable(ctx, b.set.Now()) {
		return "", errors.New("there is no interaction to answer")
	}
	k := call{route: route{name: "reply", major: r.id, free: true}, body: p, picture: p.picture}
	filled := r.fill()
	if filled {
		k.method, k.path = http.MethodPatch, b.hook(r)+"/messages/@original"
	} else {
		p.Flags |= onlyYou
		k.method, k.path, k.body = http.MethodPost, b.hook(r), p
	}
	var s sent
	err := b.client.do(ctx, k, &s)
	if err != nil && filled {
		r.mu.Lock()
		r.waiting = true
		r.mu.Unlock()
	}
	return s.ID, err
}

// rewrite changes the message that an interaction is about.
func (b *Bot) rewrite(ctx context.Context, r *reply, p any) error {
	if !r.usable(ctx, b.set.Now()) {
		return nil // too late for it; the answer itself is kept
	}
	r.fill()
	return b.client.do(ctx, call{
		route: route{name: "rewrite", major: r.id, free: true}, method: http.MethodPatch, path: b.hook(r) + "/messages/@original", body: p,
	}, nil)
}

// clear takes a waiting line away that nothing fills.
func (b *Bot) clear(ctx context.Context, r *reply) error {
	if !r.usable(ctx, b.set.Now()) || !r.fill() {
		return nil
	}
	return b.client.do(ctx, call{
		route: route{name: "clear", major: r.id, free: true}, method: http.MethodDelete, path: b.hook(r) + "/messages/@original",
	}, nil)
}

func (b *Bot) hook(r *reply) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return "webhooks/" + b.app + "/" + r.token
}

// tell says a sentence that is no part of the talk, the way it is going.
func (b *Bot) tell(ctx context.Context, t *talk, r *reply, key string) error {
	n := t.read()
	p := posted{body: plain(b.text(n.Locale, key))}
	if r != nil && r.server != "" {
		_, err := b.reply(ctx, r, p.body)
		return err
	}
	if n.Way == private {
		return nil // without an interaction nothing can be said there
	}
	p.Nonce, p.Enforce = nonce(care.ItemID("tell-"+key+n.Last+b.set.Now().Format(time.RFC3339)), 0), true
	_, err := b.post(ctx, t, n.Way, p, false)
	return err
}

// plain is a message of words alone.
func plain(text string, rows ...row) body {
	if rows == nil {
		rows = []row{}
	}
	return body{Content: escape(text), Flags: noPreviews, Mentions: mentions{Parse: []string{}}, Rows: rows}
}

// firstAnswer is how long the first answer may take from when Discord made
// the interaction; it gives up after 3 seconds.
const firstAnswer = 2800 * time.Millisecond

// answer gives the first answer to an interaction, at once and before
// anything else, so that no load holds it up.
func (b *Bot) answer(r *reply, c callback) {
	ctx, cancel := context.WithDeadline(b.base, time.Now().Add(firstAnswer))
	defer cancel()
	err := b.client.do(ctx, call{
		route: route{free: true, urgent: true}, method: http.MethodPost, path: "interactions/" + r.id + "/" + r.token + "/callback", body: c, first: true,
	}, nil)
	if refusedFor(err, codeAlreadyAnswered) {
		err = nil // our own first try got through, and its answer was lost
	}
	if err != nil {
		b.log.Warn("an interaction was not answered in time", "err", err)
	}
	r.err = err
	close(r.answered)
}
