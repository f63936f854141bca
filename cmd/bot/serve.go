package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnstone/adapters/discord"
	"turnstone/care"
	"turnstone/outbox"
	"turnstone/pictures"
	"turnstone/staff"
	"turnstone/upkeep"
	"turnstone/vitals"
)

// serveFlags are the settings of a service.
type serveFlags struct {
	place  place
	backup string
	token  string
	at     string
	locale string
	watch  bool
	health string
	retire bool
	hours  care.Hours
	room   string // the staff channel
	second string // the second list's
}

func parseServe(args []string, w world) (serveFlags, error) {
	var f serveFlags
	fs := flag.NewFlagSet("bot serve", flag.ContinueOnError)
	fs.SetOutput(w.err)
	f.place.flags(fs, "folder of the durable store (default: TURNSTONE_DATA, or ~/.local/share/turnstone)")
	fs.StringVar(&f.backup, "backup", "", "a backup there each day")
	fs.StringVar(&f.token, "discord-token", "", "file that holds the token of the Discord bot, and nothing else")
	fs.StringVar(&f.at, "discord-at", "", "a stand-in for Discord on this machine, such as http://127.0.0.1:8080")
	fs.StringVar(&f.locale, "locale", "en", "language for whom Discord names none")
	fs.BoolVar(&f.watch, "watch", false, "channels may be watched for emergencies (needs the message content intent)")
	fs.StringVar(&f.health, "health", "", "where /health and /metrics are told, on this machine only, such as 127.0.0.1:9464")
	fs.BoolVar(&f.retire, "retire", false, "say goodbye to everybody who waits for something, take back what is planned, and end")
	hours := fs.String("hours", "", hoursHelp)
	fs.StringVar(&f.room, "staff-channel", "", "ID of the Discord channel in which items for staff stand (default: none)")
	fs.StringVar(&f.second, "second-channel", "", "ID of the channel of a second list, for what nobody took in time")
	if err := fs.Parse(args); err != nil {
		return f, errUsage
	}
	var errs []error
	var err error
	if f.hours, err = openingHours(*hours); err != nil {
		errs = append(errs, err)
	}
	if fs.NArg() > 0 {
		errs = append(errs, fmt.Errorf("%q is not understood; flags begin with --", fs.Arg(0)))
	}
	for name, id := range map[string]string{"--staff-channel": f.room, "--second-channel": f.second} {
		if _, err := strconv.ParseUint(id, 10, 64); err != nil && id != "" {
			errs = append(errs, fmt.Errorf("%s %q is no ID of a channel: it is a long number, which Discord's developer mode copies", name, id))
		}
	}
	if f.second != "" && f.room == "" {
		errs = append(errs, errors.New("--second-channel needs --staff-channel"))
	}
	if f.token == "" {
		errs = append(errs, errors.New("--discord-token must name the file that holds the token"))
	}
	return f, errors.Join(errs...)
}

// errUnsigned keeps a program for practice away from people.
var errUnsigned = errors.New("nobody has signed the protocol: for practice it speaks to a stand-in on this machine only; name one with --discord-at")

// serve answers on Discord until it is told to stop.
func serve(ctx context.Context, args []string, w world) (err error) {
	f, err := parseServe(args, w)
	if err != nil {
		return err
	}
	if f.at == "" {
		return errUnsigned
	}
	p, err := load("ankle", f.hours)
	if err != nil {
		return err
	}
	if known := p.book.Locales(); !slices.Contains(known, care.Locale(f.locale)) {
		return fmt.Errorf("--locale %q is not spoken; it can be one of %v", f.locale, known)
	}
	token, err := readSecret(f.token)
	if err != nil {
		return err
	}
	if err := f.place.settle(w.env); err != nil {
		return err
	}
	if err := os.MkdirAll(f.place.dir, 0o700); err != nil {
		return fmt.Errorf("the folder for the conversations: %w; name another with --data", err)
	}
	log := logger(w.err)
	var h *house // the pseudonyms come with its key
	bot, err := discord.New(discord.Settings{
		Token: token, At: f.at, Locale: care.Locale(f.locale), Watch: f.watch, Room: f.room, Second: f.second, Fixed: fixedCard(p), Pictures: pictures.Files, Now: time.Now, Log: log,
		Person: func(account string) care.PersonID { return care.PersonID(h.store.masters.Name("discord", account)) },
	})
	if err != nil {
		return err
	}
	h, err = build(ctx, p, f.place, 0, bot, bot, time.Now, log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.store.Close()) }()
	desk, err := h.desk(ctx, f, w.out)
	if err != nil {
		return err
	}
	keeper := &upkeep.Keeper{Store: h.store, Intake: h.intake, Now: time.Now, Log: log}
	beside := []func(context.Context) error{func(ctx context.Context) error { return watchOver(ctx, keeper, bot, log) }, h.watch.Run}
	if f.retire {
		beside = []func(context.Context) error{func(ctx context.Context) error { return retire(ctx, keeper, h.outbox, w.out) }}
	}
	if f.health != "" {
		listener, err := vitals.Listen(f.health)
		if err != nil {
			return err
		}
		v := vitals.New(h.store, bot.Reachable, time.Now)
		h.intake.Committed = v.Committed
		beside = append(beside, func(ctx context.Context) error { return v.Serve(ctx, listener) })
	}
	err = h.keeping(ctx, f.place, f.backup, func(ctx context.Context) error {
		return bot.Run(ctx, discord.House{
			Intake: h.intake, Outbox: h.outbox, Store: h.store, Screen: p.screen, Book: p.book, Numbers: p.numbers, Desk: desk, Beside: beside,
		})
	})
	if errors.Is(err, errRetired) {
		return nil
	}
	return err
}

// desk is where staff work, if they have a channel. It refuses one from which
// nobody may take an item.
func (h *house) desk(ctx context.Context, f serveFlags, w io.Writer) (*staff.Desk, error) {
	if f.room == "" {
		return nil, nil //nolint:nilnil // no channel, no desk
	}
	d := &staff.Desk{Store: h.store, Members: h.store.members(time.Now), Intake: h.intake, Watch: h.watch, Hours: f.hours, Now: time.Now}
	n, err := d.Members.Staffed(ctx)
	if err == nil && n == 1 {
		_, err = fmt.Fprintln(w, oneAlone)
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

// errRetired ends the service once everybody was told.
var errRetired = errors.New("retired")

// retireFor is how long the goodbyes may take.
const retireFor = 10 * time.Minute

// retire tells everybody, and ends the service when all of it is sent.
func retire(ctx context.Context, k *upkeep.Keeper, out *outbox.Outbox, w io.Writer) error {
	open, err := k.Retire(ctx)
	for end := time.Now().Add(retireFor); ; {
		_, swept := out.Sweep(ctx)
		due, left := out.Next(ctx)
		if !left || due.After(time.Now()) {
			break
		}
		if time.Now().After(end) {
			err = errors.Join(err, swept, errors.New("not every goodbye was sent; run it again"))
			break
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Second):
		}
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "Open talks: %d. Who waited for something is told, and nothing is planned any more.\n", open)
	return errRetired
}

// readSecret reads a secret from a file that only its owner may read.
func readSecret(name string) (string, error) {
	info, err := os.Stat(name)
	if err != nil {
		return "", fmt.Errorf("the token file: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("others may read %s: run chmod 600 %s", name, name)
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return "", fmt.Errorf("the token file: %w", err)
	}
	return strings.TrimSpace(string(data)), nil
}
