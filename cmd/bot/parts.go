package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"turnstone/adapters/discord"
	"turnstone/adapters/terminal"
	"turnstone/backup"
	"turnstone/care"
	"turnstone/flow"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
	"turnstone/intake"
	"turnstone/locales"
	"turnstone/outbox"
	"turnstone/pictures"
	"turnstone/retention"
	"turnstone/safety"
	"turnstone/sign"
	"turnstone/staff"
)

// The parts are everything that is read and checked once at start.
type parts struct {
	book    *locales.Book
	numbers *locales.Numbers
	screen  *safety.Screen
	reader  *answer.Reader
	flow    *flow.Flow
	door    safety.Door

	protocols []*protocol.Protocol
	forbidden *safety.Forbidden

	practice bool            // every screen says that nobody has signed
	standing []sign.Standing // how each part stands; nil where nobody asked
}

// read reads everything that comes with the program, side by side; each fault
// is in the error.
func read() (*parts, error) {
	var p parts
	var errs [6]error
	var wg sync.WaitGroup
	wg.Go(func() { p.screen, errs[0] = safety.LoadScreen(locales.Files) })
	wg.Go(func() { p.reader, errs[1] = answer.Load(locales.Files) })
	wg.Go(func() { p.book, errs[2] = locales.Load(locales.Files) })
	wg.Go(func() { p.numbers, errs[3] = locales.LoadNumbers(locales.Files) })
	wg.Go(func() { p.protocols, errs[4] = protocol.Embedded() })
	wg.Go(func() { p.forbidden, errs[5] = safety.LoadForbidden(locales.Files) })
	wg.Wait()
	return &p, errors.Join(errs[:]...)
}

// Terms are what a clinic sets for the conversation.
type terms struct {
	protocol   string
	signatures string                // path of their file; empty is practice
	languages  []care.Locale         // that may be spoken; nil is all
	usual      care.Hours            // of the clinic
	hours      map[string]care.Hours // of the clinic, where a community has its own
	months     int                   // how long a closed talk is kept; 0 is the usual time
}

// load reads everything and checks it.
func load(t terms) (*parts, error) {
	p, err := read()
	if err != nil {
		return nil, err
	}
	return p, p.settle(t)
}

// settle puts the conversation together on its terms, and checks that nothing
// is missing.
func (p *parts) settle(t terms) error {
	if err := p.speak(t); err != nil {
		return err
	}
	var err error
	p.flow, err = flow.New(flow.Settings{
		Protocols: p.protocols, Current: t.protocol, Reader: p.reader, Book: p.book, Numbers: p.numbers, Practice: p.practice, Hours: t.usual, HoursOf: t.hours, Months: t.months,
	})
	if err != nil {
		return err
	}
	p.door = safety.Door{Class: p.book.Class, Forbidden: p.forbidden.Find, Number: p.numbers.Emergency}
	err = errors.Join(p.book.Check(p.flow.Keys()), p.book.Check(terminal.Keys()), p.book.Check(discord.Keys()), p.book.Check(pictures.Keys()))
	for _, one := range p.protocols {
		err = errors.Join(err, pictures.Check(one.Pictures()))
	}
	return err
}

// speak finds out what may be said. Without all the signatures that are needed
// everything is practice; with them a sentence that nobody stands by is said in
// the base language, and so is a language that the clinic does not speak.
func (p *parts) speak(t terms) error {
	spoken := func(care.Locale, care.SentenceKey) bool { return true }
	p.practice = true
	if t.signatures != "" {
		contents, err := sign.Contents(p.book)
		if err != nil {
			return err
		}
		register, err := sign.Read(t.signatures)
		if err != nil {
			return err
		}
		p.standing = register.Standings(contents)
		if p.practice = sign.Practice(p.standing); !p.practice {
			spoken = register.Spoken(contents)
		}
	}
	if p.practice && t.languages == nil {
		return nil
	}
	p.book = p.book.Speaking(func(l care.Locale, key care.SentenceKey) bool {
		return (t.languages == nil || slices.Contains(t.languages, l)) && spoken(l, key)
	})
	return nil
}

// A house is the parts put together around a store and a channel.
type house struct {
	*parts
	store  *storage
	intake *intake.Intake
	outbox *outbox.Outbox
	keeper *retention.Keeper
	watch  *staff.Watch
}

const noBallast = -1

// build opens the store at a place and puts everything together. A ballast of 0
// is the store's own; noBallast keeps none, for a folder that is thrown away.
func build(ctx context.Context, p *parts, at place, ballast int64, sender outbox.Sender, cards intake.Cards, now func() time.Time, log *slog.Logger) (*house, error) {
	s, err := openStorage(ctx, at, ballast, now, log)
	if err != nil {
		return nil, err
	}
	h := &house{parts: p, store: s}
	h.keeper = &retention.Keeper{Store: s, Now: now, Log: log}
	h.outbox = &outbox.Outbox{Store: s, Sender: sender, Book: p.book, Door: p.door, Now: now, Log: log}
	h.intake = &intake.Intake{
		Store: s, Flow: p.flow, Screen: p.screen, Door: p.door, Out: h.outbox, Cards: cards, Now: now, Log: log,
	}
	h.outbox.Waker = h.intake
	h.watch = &staff.Watch{Store: s, Now: now, Fault: func(err error) {
		log.Error("when staff last did something can't be kept, or read; people are told that nobody reads this", "err", err)
	}}
	h.intake.Pressed, h.intake.Acted = h.watch.Pressed, h.watch.Press
	return h, h.watch.Read(ctx)
}

// openingHours reads --hours: a file, or the hours themselves. Without any
// nobody is ever said to be there.
func openingHours(value string) (care.Hours, error) {
	if value == "" {
		return care.Hours{}, nil
	}
	text := value
	data, err := os.ReadFile(value)
	switch {
	case err == nil:
		text = string(data)
	case !strings.ContainsAny(value, " ;"):
		return care.Hours{}, fmt.Errorf("--hours: %w; name a file, or write \"zone Europe/Lisbon; Mon-Fri 08:00-18:00; closed 2026-12-25\"", err)
	}
	hours, err := care.ReadHours(text)
	if err != nil {
		return hours, fmt.Errorf("--hours: %w", err)
	}
	return hours, nil
}

// keepBackups is how long daily backups are kept (common practice, no source).
const keepBackups = 35 * 24 * time.Hour

// keeping runs a channel, and beside it the retention, what bot staff asks of
// this program, and the daily backups, if they have a folder, until the channel
// ends.
func (h *house) keeping(ctx context.Context, at place, backups string, channel func(context.Context) error) error {
	ctx, stop := context.WithCancel(ctx)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return h.keeper.Run(ctx) })
	if at.redis == "" { // a server may be opened beside this program
		g.Go(func() error { return h.hearStaff(ctx, at.dir) })
	}
	if backups != "" {
		daily := &backup.Daily{Source: h.store.source(at), To: backups, Keep: keepBackups, Now: h.keeper.Now, Fault: func(err error) {
			h.keeper.Log.ErrorContext(ctx, "no backup was made; it is tried again in an hour", "err", err)
		}}
		g.Go(func() error { return daily.Run(ctx) })
	}
	g.Go(func() error {
		defer stop()
		return channel(ctx)
	})
	return g.Wait()
}

// logger writes JSON lines for the operator; they hold no words of a person.
func logger(w io.Writer) *slog.Logger {
	return slog.New(slog.NewJSONHandler(w, nil))
}

// defaultFolder is where the durable store lies when nobody says otherwise.
func defaultFolder(env func(string) string) (string, error) {
	if dir := env("TURNSTONE_DATA"); dir != "" {
		return dir, nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", err
	}
	return filepath.Join(home, ".local", "share", "turnstone"), nil
}

// caller is who talks at this terminal or data door.
func (h *house) caller(ctx context.Context, f talkFlags) (intake.Caller, error) {
	person, err := h.store.person(ctx, "local", f.person)
	c := intake.Caller{
		Person: person, Address: "local:" + f.person, Locale: care.Locale(f.locale), Zone: f.zone, ZoneSet: f.zone != "", Region: f.region,
	}
	if c.Zone == "" {
		if zone, one := h.numbers.Zone(f.region); one {
			c.Zone = zone
		}
	}
	if c.Zone == "" {
		c.Zone = machineZone()
	}
	return c, err
}
