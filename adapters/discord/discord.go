// Package discord is the conversation on Discord: a direct message first,
// else replies that only the person sees, else a private thread. Nothing
// about anybody's health is said where others read.
//
// It promises to read every word for danger before any queue or limit may
// refuse it, to answer every press within Discord's three seconds, and to
// lose nothing that Discord gave it: after each new session the history of
// every open talk is read from the last message on that was taken in.
//
// bwmarrin/discordgo carries the gateway and the calls. What it does wrong is
// kept from it: a line reads the frames before it (line.go), a transport the
// answers (rest.go), a gate has the pace (gate.go), and a supervisor of our
// own connects (gateway.go).
package discord

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
	"turnstone/staff"
	"turnstone/store"
)

// A Store keeps the notes of accounts and servers.
type Store interface {
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
	Delete(ctx context.Context, key string, etag uint64) error
	List(ctx context.Context, prefix string) ([]store.Named, error)
}

// A Book has the sentences.
type Book interface {
	Has(key care.SentenceKey) bool
	Text(locale care.Locale, s care.Sentence) (string, error)
	Locales() []care.Locale
}

// Numbers knows the regions.
type Numbers interface {
	Emergency(region string) (string, bool)
	Regions() []string
	Zone(region string) (string, bool)
}

// A House is what Discord leads to.
type House struct {
	Intake  *intake.Intake
	Outbox  *outbox.Outbox
	Store   Store
	Screen  intake.Screen
	Book    Book
	Numbers Numbers

	Desk *staff.Desk // where staff work; nil is nowhere

	Beside []func(context.Context) error // run beside the talk, from when it can be sent to
}

// Settings are fixed before the start.
type Settings struct {
	Token  string      // of the bot; never logged
	At     string      // http://127.0.0.1:PORT of a stand-in; empty is Discord
	Locale care.Locale // of whom Discord does not tell
	Watch  bool        // may channels be watched for emergencies?

	Servers map[string]Server // that are configured, by ID; the others are set up with the command
	Room    string            // the channel of staff; empty is none
	Second  string            // the channel of the second list: what nobody took in time

	Person   func(account string) care.PersonID // pseudonym of an account
	Fixed    func(locale care.Locale, region string) string
	Pictures fs.FS // NAME.png; nil sends words instead

	Patience time.Duration // how long the gateway may be silent while it opens
	Retry    time.Duration // the first pause before it is opened again
	Now      func() time.Time
	Log      *slog.Logger

	// Idle, where set, tells that another process may be answering: nothing is
	// taken in then but typed danger.
	Idle func() bool
}

func (b *Bot) idle() bool { return b.set.Idle != nil && b.set.Idle() }

// A Bot is this program on Discord.
type Bot struct {
	set       Settings
	log       *slog.Logger
	transport *transport
	client    *client
	house     House

	mu      sync.Mutex
	talks   map[string]*talk     // by account
	room    int                  // how many talks there may be before idle ones are let go
	queue   int                  // jobs that wait, of everybody
	app     string               // ID of the application
	self    string               // ID of the bot's own account
	pointed map[string]time.Time // when the pointer last stood in a channel
	deaf    time.Time            // since when the gateway was last shut

	online    atomic.Bool // the gateway is open
	working   sync.WaitGroup
	mostTalks int

	slots  chan struct{} // how many jobs are handled at once
	anew   chan string   // a new session began
	raised chan struct{} // the staff list has changed
	base   context.Context
}

// handledAtOnce is how many people are answered at the same moment.
const handledAtOnce = 64

// New prepares a bot; nothing is sent before Run.
func New(s Settings) (*Bot, error) {
	s.Patience, s.Retry = cmp.Or(s.Patience, 20*time.Second), cmp.Or(s.Retry, time.Second)
	t := &transport{base: &http.Transport{DialContext: dialer(s.At != ""), MaxIdleConnsPerHost: callsAtOnce + answersAtOnce, ForceAttemptHTTP2: true}}
	if s.At != "" {
		at, err := url.Parse(s.At)
		if err != nil || at.Scheme != "http" || !loopback(at.Host) {
			return nil, fmt.Errorf("%q is no stand-in on this machine; write http://127.0.0.1:PORT", s.At)
		}
		t.at = at
	}
	if strings.TrimSpace(s.Token) == "" || strings.ContainsAny(s.Token, " \t\r\n") {
		return nil, errors.New("the token file must hold one token and nothing else")
	}
	return &Bot{
		set: s, log: s.Log, transport: t, client: newClient(s.Token, t, s.Now), talks: map[string]*talk{}, room: mostTalks, mostTalks: mostTalks, pointed: map[string]time.Time{},
		slots: make(chan struct{}, handledAtOnce), anew: make(chan string, 1), raised: make(chan struct{}, 1), base: context.Background(),
	}, nil
}

// drain is how long what was begun may take when the program ends.
const drain = 5 * time.Second

// Run answers on Discord until ctx is done, or until Discord refuses this
// program for good (ErrRefused).
func (b *Bot) Run(ctx context.Context, h House) error {
	b.house = h
	work, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	b.base = work
	b.listens(false)
	g, ctx := errgroup.WithContext(ctx)
	if err := b.register(ctx); err != nil {
		if ctx.Err() != nil {
			return nil //nolint:nilerr // asked to end before it began
		}
		return err
	}
	if b.staffed() {
		if err := b.checkRooms(ctx); err != nil {
			return err
		}
		h.Outbox.Raised = b.nudge
		g.Go(func() error { return b.keepRoom(ctx) })
	}
	g.Go(func() error { return b.connect(ctx) })
	g.Go(func() error { return h.Outbox.Run(ctx) })
	g.Go(func() error { return b.keep(ctx) })
	g.Go(func() error { return b.replay(ctx) })
	for _, beside := range h.Beside {
		g.Go(func() error { return beside(ctx) })
	}
	err := g.Wait()
	late := time.AfterFunc(drain, stop) // what was begun may end, but not hold up the end
	b.working.Wait()
	late.Stop()
	b.transport.base.(*http.Transport).CloseIdleConnections() //nolint:forcetypeassert // New has put it there
	return errors.Join(err, b.saveAll(context.WithoutCancel(ctx)))
}

// listens notes whether the gateway is open.
func (b *Bot) listens(yes bool) {
	b.online.Store(yes)
	if !yes {
		b.mu.Lock()
		b.deaf = b.set.Now()
		b.mu.Unlock()
	}
}

// Reachable says why nobody can write to the bot now, or nil.
func (b *Bot) Reachable() error {
	if !b.online.Load() {
		return errors.New("the gateway is not open")
	}
	return nil
}

// address is where the outbox reaches an account.
func address(user string) string { return "discord:" + user }

// text words a sentence. The start has checked that it is there.
func (b *Bot) text(locale care.Locale, key string, args ...string) string {
	s := care.Sentence{Key: care.SentenceKey(key)}
	if len(args) > 0 {
		s.Args = map[string]string{}
	}
	for i := 0; i+1 < len(args); i += 2 {
		s.Args[args[i]] = args[i+1]
	}
	text, err := b.house.Book.Text(locale, s)
	if err != nil {
		b.log.Error("a sentence can't be put into words", "sentence", key, "err", err)
		return "…"
	}
	return text
}
