package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"time"

	"turnstone/adapters/discord"
	"turnstone/care"
	"turnstone/pictures"
	"turnstone/staff"
	"turnstone/store"
	"turnstone/upkeep"
	"turnstone/vitals"
)

// serve answers on Discord until it is told to stop.
func serve(ctx context.Context, args []string, w world) error {
	return onDiscord(ctx, "serve", args, w)
}

// onDiscord is a service at work, under the name of the command that it is.
func onDiscord(ctx context.Context, name string, args []string, w world) (err error) {
	p, err := read()
	if err != nil {
		return err
	}
	f, token, err := p.service(name, args, w)
	if errors.Is(err, errUsage) {
		return err
	}
	if err != nil {
		return errors.Join(err, errMend)
	}
	if err := os.MkdirAll(f.place.dir, 0o700); err != nil {
		return fmt.Errorf("the folder for the conversations: %w; name another with --data", err)
	}
	log := logger(w.err)
	var h *house   // the pseudonyms come with its key
	var held *turn // where several processes share a store
	bot, err := discord.New(discord.Settings{
		Token: token, At: f.at, Locale: f.languages[0], Watch: f.watch, Servers: f.communities(), Room: f.room, Second: f.second, Fixed: fixedCard(p), Pictures: pictures.Files, Now: time.Now, Log: log,
		Person: func(account string) care.PersonID { return care.PersonID(h.store.masters.Name("discord", account)) },
		Idle:   func() bool { return held != nil && held.idle() },
	})
	if err != nil {
		return err
	}
	for _, s := range p.standing {
		if slices.Contains(f.languages, s.Language) && s.By == nil && !p.practice {
			log.WarnContext(ctx, "not all of a language is signed; what is not is said in the base language", "language", s.Language)
		}
	}
	h, err = build(ctx, p, f.place, 0, bot, bot, time.Now, log)
	if errors.Is(err, store.ErrNewer) {
		return errors.Join(err, errMend)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.store.Close()) }()
	if err := onePlatform(ctx, h.store, f.at != ""); err != nil {
		return errors.Join(err, errMend)
	}
	h.outbox.AtOnce = sentAtOnce
	ready := func(ctx context.Context) error {
		if err := tellReady(w.env); err != nil {
			log.ErrorContext(ctx, "systemd will take this start for a failed one", "err", err)
		}
		return nil
	}
	alone := func(ctx context.Context, work func(context.Context) error) error { return work(ctx) } // a folder has one process
	reachable := bot.Reachable
	if f.place.redis != "" {
		held = newTurn(h.store, h.intake.Retry, log)
		h.outbox.Sender = fenced{bot, held}
		alone = held.work
		ready = nil
		if err := tellReady(w.env); err != nil { // standing by is ready
			return err
		}
		reachable = func() error {
			if held.idle() {
				return nil // standing by is well
			}
			return bot.Reachable()
		}
	}
	desk, err := h.desk(ctx, f, log)
	if err != nil {
		return err
	}
	keeper := &upkeep.Keeper{Store: h.store, Intake: h.intake, Now: time.Now, Log: log}
	beside := []func(context.Context) error{func(ctx context.Context) error { return watchOver(ctx, keeper, bot, log) }, h.watch.Run}
	if name == retireCommand {
		beside = []func(context.Context) error{func(ctx context.Context) error { return retire(ctx, keeper, h.outbox, w.out) }}
	}
	if ready != nil {
		beside = append(beside, ready)
	}
	v, stop, err := f.watched(ctx, h, reachable)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stop()) }()
	if v != nil {
		h.intake.Committed = v.Committed
	}
	err = alone(ctx, func(ctx context.Context) error {
		return h.keeping(ctx, f.place, f.backup, func(ctx context.Context) error {
			return bot.Run(ctx, discord.House{
				Intake: h.intake, Outbox: h.outbox, Store: h.store, Screen: p.screen, Book: p.book, Numbers: p.numbers, Desk: desk, Beside: beside,
			})
		})
	})
	if errors.Is(err, errRetired) {
		return nil
	}
	return err
}

// sentAtOnce is how many people are written to side by side. A call to the
// platform takes a tenth of a second and more, and one after another would stay
// far below the pace that it allows.
const sentAtOnce = 16

// watched opens /health and /metrics, from before this process works until
// stop is called.
func (f *service) watched(ctx context.Context, h *house, reachable func() error) (_ *vitals.Vitals, stop func() error, err error) {
	if f.health == "" {
		return nil, func() error { return nil }, nil
	}
	listener, err := vitals.Listen(f.health)
	if err != nil {
		return nil, nil, err
	}
	v := vitals.New(h.store, reachable, time.Now)
	ctx, cancel := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() { served <- v.Serve(ctx, listener) }()
	return v, func() error { cancel(); return <-served }, nil
}

// NamedValues are a store's.
type namedValues interface {
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
}

const platformKey = "serve/platform"

// onePlatform keeps a store to the platform on which it began: what is due to
// people must not be spent on a stand-in, nor practice be sent to people.
func onePlatform(ctx context.Context, s namedValues, standIn bool) error {
	now := map[bool]string{true: "a stand-in for Discord", false: "Discord"}[standIn]
	was, _, known, err := s.Get(ctx, platformKey)
	switch {
	case err != nil:
		return err
	case known && string(was) != now:
		return fmt.Errorf("the store holds talks on %s and can't be used on %s: name another folder with --data, or data in the configuration", was, now)
	case known:
		return nil
	}
	return s.Put(ctx, platformKey, []byte(now), 0, time.Time{})
}

// desk is where staff work, if they have a channel. It refuses one from which
// nobody may take an item.
func (h *house) desk(ctx context.Context, f *service, log *slog.Logger) (*staff.Desk, error) {
	if f.room == "" {
		return nil, nil //nolint:nilnil // no channel, no desk
	}
	d := &staff.Desk{Store: h.store, Members: h.store.members(time.Now), Intake: h.intake, Watch: h.watch, Hours: f.hours, Now: time.Now}
	n, err := d.Members.Staffed(ctx)
	if readers, rerr := d.Members.MaySeeSensitive(ctx); err == nil && (rerr != nil || readers == 0) {
		return nil, cmp.Or(rerr, staff.ErrNoReader)
	}
	if err == nil && n == 1 {
		log.WarnContext(ctx, oneAlone)
	}
	return d, err
}

// watchOver tells who was in the middle of a talk that the program was away,
// and notes from then on that it is there.
func watchOver(ctx context.Context, k *upkeep.Keeper, bot *discord.Bot, log *slog.Logger) error {
	away, err := k.Back(ctx)
	if err != nil {
		log.ErrorContext(ctx, "not everybody was told that the program was away; who was not is asked again when they write", "err", err)
	}
	if !away.From.IsZero() {
		log.WarnContext(ctx, "the program was away", "from", away.From, "to", away.To, "mid_talk", away.MidTalk)
		if err := bot.TellAway(ctx, away.From, away.To, away.MidTalk); err != nil {
			log.ErrorContext(ctx, "staff could not be told of it", "err", err)
		}
	}
	k.Run(ctx)
	return nil
}
