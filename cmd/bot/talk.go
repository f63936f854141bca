package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"turnstone/adapters/data"
	"turnstone/adapters/terminal"
	"turnstone/care"
)

// talkFlags are the settings of one conversation.
type talkFlags struct {
	json     bool
	at       time.Time
	locale   string
	zone     string
	region   string
	place    place
	backups  string
	person   string
	protocol string
	hours    care.Hours
}

const hoursHelp = "when the clinic is open: a file, or \"zone Europe/Lisbon; Mon-Fri 08:00-18:00; closed 2026-12-25\" (default: nobody is ever said to be there)"

func parseTalk(args []string, w world) (talkFlags, error) {
	var f talkFlags
	fs := flag.NewFlagSet("bot talk", flag.ContinueOnError)
	fs.SetOutput(w.err)
	fs.BoolVar(&f.json, "json", false, "one JSON object a line, with a virtual clock")
	at := fs.String("at", "", "where the virtual clock starts, such as 2026-03-02T10:00:00Z (with --json; default now)")
	fs.StringVar(&f.locale, "locale", "", "language, such as en or es (default: from LANG, else en)")
	fs.StringVar(&f.zone, "zone", "", "the person's time zone, such as Europe/Lisbon (default: the region's, else this machine's)")
	fs.StringVar(&f.region, "region", "", "the person's region, such as PT, for the emergency number (default: asked)")
	f.place.flags(fs, "folder of the durable store (default: with --json a temporary one)")
	f.place.serverFlag(fs)
	fs.StringVar(&f.backups, "backup", "", "a folder in which a backup is made each day and kept 35 days (not with --json)")
	fs.StringVar(&f.person, "person", "p1", "who talks; the same name goes on where it stopped")
	hours := fs.String("hours", "", hoursHelp)
	fs.StringVar(&f.protocol, "protocol", "ankle", "name of the protocol")
	if err := fs.Parse(args); err != nil {
		return f, errUsage
	}
	var errs []error
	if fs.NArg() > 0 {
		errs = append(errs, fmt.Errorf("%q is not understood; flags begin with --", fs.Arg(0)))
	}
	f.at = time.Now()
	if *at != "" {
		var err error
		if f.at, err = time.Parse(time.RFC3339, *at); err != nil {
			errs = append(errs, fmt.Errorf("--at %q is no moment; write it as 2026-03-02T10:00:00Z", *at))
		}
		if !f.json {
			errs = append(errs, errors.New("--at needs --json: a person's clock is the real one"))
		}
	}
	if f.zone != "" {
		if _, err := time.LoadLocation(f.zone); err != nil {
			errs = append(errs, fmt.Errorf("--zone %q is no time zone; write it as Europe/Lisbon", f.zone))
		}
	}
	if f.backups != "" && f.json {
		errs = append(errs, errors.New("--backup does not go with --json: its clock is not the real one"))
	}
	if f.place.redis != "" && f.json {
		errs = append(errs, errors.New("--redis does not go with --json: a server has a clock of its own"))
	}
	errs = append(errs, f.place.check(f.backups))
	var err error
	if f.hours, err = openingHours(*hours); err != nil {
		errs = append(errs, err)
	}
	if f.person == "" {
		errs = append(errs, errors.New("--person must not be empty"))
	}
	if f.locale == "" {
		f.locale, _, _ = strings.Cut(w.env("LANG"), "_")
	}
	return f, errors.Join(errs...)
}

// settle checks the flags against what was loaded.
func (f *talkFlags) settle(p *parts, env string) error {
	var errs []error
	known := p.book.Locales()
	if !slices.Contains(known, care.Locale(f.locale)) {
		if f.locale != strings.SplitN(env, "_", 2)[0] {
			errs = append(errs, fmt.Errorf("--locale %q is not spoken; it can be one of %v", f.locale, known))
		}
		f.locale = "en"
	}
	if _, ok := p.numbers.Emergency(f.region); !ok && f.region != "" {
		errs = append(errs, fmt.Errorf("--region %q is not known; it can be one of %v, or left out to be asked", f.region, p.numbers.Regions()))
	}
	return errors.Join(errs...)
}

func talk(ctx context.Context, args []string, w world) error {
	f, err := parseTalk(args, w)
	if err != nil {
		return err
	}
	t := terms{protocol: f.protocol, usual: f.hours} // as data everything is practice
	if !f.json {
		if err := f.place.settle(w.env); err != nil {
			return err
		}
		t.signatures = f.place.signedPath()
	}
	p, err := load(t)
	if err != nil {
		return err
	}
	if err := f.settle(p, w.env("LANG")); err != nil {
		return err
	}
	if f.json {
		return talkData(ctx, p, f, w)
	}
	return talkTerminal(ctx, p, f, w)
}

func talkData(ctx context.Context, p *parts, f talkFlags, w world) (err error) {
	at, ballast := f.place, int64(0)
	if at.dir == "" {
		ballast = noBallast
		dir, err := os.MkdirTemp("", "turnstone-talk-")
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
		at.dir = filepath.Join(dir, "store") // what lies beside it goes too
	}
	clock := data.NewClock(f.at)
	door := data.New(w.in, w.out, clock)
	h, err := build(ctx, p, at, ballast, door, door, clock.Now, logger(w.err))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.store.Close()) }()
	h.intake.Committed = door.Committed
	door.Fixed = fixedCard(p)
	who, err := h.caller(ctx, f)
	if err != nil {
		return err
	}
	return door.Run(ctx, data.House{Caller: who, Intake: h.intake, Outbox: h.outbox, Keeper: h.keeper})
}

func talkTerminal(ctx context.Context, p *parts, f talkFlags, w world) (err error) {
	if err := os.MkdirAll(f.place.dir, 0o700); err != nil {
		return fmt.Errorf("the folder for the conversation: %w; name another with --data", err)
	}
	log, err := os.OpenFile(filepath.Join(f.place.dir, "bot.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, log.Close()) }()
	screen := terminal.New(w.in, w.out, w.env)
	h, err := build(ctx, p, f.place, 0, screen, screen, time.Now, logger(log))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.store.Close()) }()
	screen.Fixed = fixedCard(p)
	who, err := h.caller(ctx, f)
	if err != nil {
		return err
	}
	return h.keeping(ctx, f.place, f.backups, func(ctx context.Context) error {
		return screen.Run(ctx, terminal.House{Caller: who, Intake: h.intake, Outbox: h.outbox, Book: p.book})
	})
}

// fixedCard words the emergency card that goes out when nothing else works.
func fixedCard(p *parts) func(locale care.Locale, region string) string {
	return func(locale care.Locale, region string) string {
		text, err := p.book.Text(locale, p.door.FixedCard(region))
		if err != nil {
			return "112 / 911 / 999 / 000" // the loader has checked the sentence; the numbers alone still help
		}
		return text
	}
}

// machineZone is this machine's own time zone.
func machineZone() string {
	if name := time.Local.String(); name != "Local" && name != "" {
		return name
	}
	if to, err := os.Readlink("/etc/localtime"); err == nil {
		if _, name, ok := strings.Cut(to, "zoneinfo/"); ok {
			if _, err := time.LoadLocation(name); err == nil {
				return name
			}
		}
	}
	return "UTC"
}
