package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
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
	data     string
	person   string
	protocol string
}

func parseTalk(args []string, w world) (talkFlags, error) {
	var f talkFlags
	fs := flag.NewFlagSet("bot talk", flag.ContinueOnError)
	fs.SetOutput(w.err)
	fs.BoolVar(&f.json, "json", false, "one JSON object a line, with a virtual clock")
	at := fs.String("at", "", "where the virtual clock starts, such as 2026-03-02T10:00:00Z (with --json; default now)")
	fs.StringVar(&f.locale, "locale", "", "language, such as en or es (default: from LANG, else en)")
	fs.StringVar(&f.zone, "zone", "", "the person's time zone, such as Europe/Lisbon (default: the region's, else this machine's)")
	fs.StringVar(&f.region, "region", "", "the person's region, such as PT, for the emergency number (default: asked)")
	fs.StringVar(&f.data, "data", "", "folder of the durable store (default: with --json a temporary one)")
	fs.StringVar(&f.person, "person", "p1", "who talks; the same name goes on where it stopped")
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
	p, err := load(f.protocol)
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
	dir, ballast := f.data, int64(0)
	if dir == "" {
		ballast = noBallast
		if dir, err = os.MkdirTemp("", "turnstone-talk-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	}
	clock := data.NewClock(f.at)
	door := data.New(w.in, w.out, clock)
	h, err := build(p, dir, ballast, door, door, clock.Now, logger(w.err))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.store.Close()) }()
	h.intake.Committed = door.Committed
	door.Fixed = fixedCard(p)
	return door.Run(ctx, data.House{Caller: caller(p, f), Intake: h.intake, Outbox: h.outbox})
}

func talkTerminal(ctx context.Context, p *parts, f talkFlags, w world) (err error) {
	dir := f.data
	if dir == "" {
		if dir, err = defaultFolder(w.env); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("the folder for the conversation: %w; name another with --data", err)
	}
	log, err := os.OpenFile(filepath.Join(dir, "bot.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, log.Close()) }()
	screen := terminal.New(w.in, w.out, w.env)
	h, err := build(p, dir, 0, screen, screen, time.Now, logger(log))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.store.Close()) }()
	screen.Fixed = fixedCard(p)
	return screen.Run(ctx, terminal.House{Caller: caller(p, f), Intake: h.intake, Outbox: h.outbox, Book: p.book})
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

// pseudonym names an account without telling it.
func pseudonym(channel, account string) care.PersonID {
	sum := sha256.Sum256([]byte(channel + "\x00" + account))
	return care.PersonID(hex.EncodeToString(sum[:12]))
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
