package main

import (
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"time"

	"turnstone/adapters/discord"
	"turnstone/backup"
	"turnstone/inspect"
	"turnstone/store"
	"turnstone/store/bolt"
	"turnstone/store/keyfile"
)

// SensitiveReaders know who of the clinic's staff may see sensitive items.
type sensitiveReaders interface {
	MaySeeSensitive(ctx context.Context) (people int, err error)
}

// checkLive looks whether a service is ready for people, with the token and on
// this machine, and says what to do about each thing that is not. It may run
// beside the service, and changes nothing.
func checkLive(ctx context.Context, f *service, config string, w world) error {
	p, err := read()
	if err != nil {
		return err
	}
	spoken, err := f.configure(config, p.book.Locales())
	if err := errors.Join(err, f.place.settle(w.env)); err != nil {
		return err
	}
	if err := p.settle(terms{protocol: "ankle", signatures: f.place.signedPath(), languages: spoken}); err != nil {
		return err
	}
	r := &inspect.Report{}
	p.examineSigned(f, r)
	examineDiscord(ctx, p, f, r, w)
	f.examineStaff(ctx, r, w)
	examineStore(ctx, f, r, w)
	examineBackups(f, r, time.Now())
	return errors.Join(r.Write(w.out), r.Err())
}

// examineSigned looks at who stands by what people are told.
func (p *parts) examineSigned(f *service, r *inspect.Report) {
	for _, s := range p.standing {
		switch {
		case s.By != nil:
			r.Well("%s", s)
		case s.Needed:
			r.Wrong(s.Todo(), "%s", s.Now())
		case slices.Contains(f.languages, s.Language):
			r.Look(s.Todo()+"; or leave it out of the languages", "%s, and it is said in the base language", s.Now())
		}
	}
}

func examineDiscord(ctx context.Context, p *parts, f *service, r *inspect.Report, w world) {
	token, err := f.secret(w.env)
	var bot *discord.Bot
	if err == nil {
		bot, err = discord.New(discord.Settings{Token: token, At: f.at, Locale: f.languages[0], Watch: f.watch, Now: time.Now, Log: logger(w.err)})
	}
	if err != nil {
		r.Wrong("put the bot's token, and nothing else, into a file of its own", "the token can't be used: %v", err)
		return
	}
	var rooms []discord.Rooms
	for _, s := range f.servers {
		rooms = append(rooms, discord.Rooms{Server: s.ID, Watch: s.Watch, Staff: s.Staff, Clinic: s.Clinic})
	}
	if rooms == nil {
		r.Wrong("write one: --config FILE; deploy/lantern-bay.toml is an example", "there is no configuration that names a server and its staff channel")
	}
	bot.Examine(ctx, rooms, r)
}

// examineStaff looks who works for the clinic. A service that runs has looked
// for itself: it does not start without.
func (f *service) examineStaff(ctx context.Context, r *inspect.Report, w world) {
	s, err := openThere(ctx, f.place, w)
	switch {
	case errors.Is(err, store.ErrHeld):
		r.Well("staff: the bot that runs does not start, and lets nobody go, without somebody who may take, and see what is sensitive")
	case err != nil:
		examineSensitive(ctx, nil, r)
	default:
		examineSensitive(ctx, s.members(time.Now), r)
		if err := s.Close(); err != nil {
			r.Wrong("try again", "the store: %v", err)
		}
	}
}

// examineSensitive looks whether a sensitive item reaches anybody.
func examineSensitive(ctx context.Context, s sensitiveReaders, r *inspect.Report) {
	people := 0
	var err error
	if s != nil {
		people, err = s.MaySeeSensitive(ctx)
	}
	switch {
	case err != nil:
		r.Wrong("try again", "it can't be told who may see sensitive items: %v", err)
	case people == 0:
		r.Wrong("give the right to at least one member of staff", "nobody may see sensitive items: self-harm and violence would reach nobody")
	default:
		r.Well("people who may see sensitive items: %d", people)
	}
}

// asking is how long a running service may take to say that it is well.
const asking = 10 * time.Second

// examineStore looks into the store, or asks the service that has it open.
func examineStore(ctx context.Context, f *service, r *inspect.Report, w world) {
	if _, err := os.Stat(filepath.Join(f.place.dir, bolt.DataFile)); err != nil {
		r.Look("nothing, if it never ran: the first start makes it; else look at data in the configuration", "there is no store in %s", f.place.dir)
		return
	}
	if _, err := keyfile.ReadMasters(f.place.keyPath()); err != nil {
		r.Wrong("put your copy of the key file there: without it nothing in the store can be read", "the master key: %v", err)
		return
	}
	switch err := bolt.Free(f.place.dir); {
	case errors.Is(err, store.ErrHeld):
		examineRunning(ctx, f, r)
		return
	case err != nil:
		r.Wrong("look at the disk; `bot restore` puts a backup back", "the store in %s can't be opened: %v", f.place.dir, err)
		return
	}
	inner, err := bolt.Open(f.place.dir, bolt.Options{Clock: time.Now, Log: logger(w.err), Ballast: noBallast})
	if err == nil {
		err = errors.Join(inner.Check(ctx), inner.Close())
	}
	if err != nil {
		r.Wrong("look at the disk; `bot restore` puts a backup back", "the store in %s: %v", f.place.dir, err)
		return
	}
	r.Well("the store in %s is whole", f.place.dir)
	r.Look("start it when all is well", "the service does not run")
}

// examineRunning asks the service how it is.
func examineRunning(ctx context.Context, f *service, r *inspect.Report) {
	if f.health == "" {
		r.Look("set health in the configuration, so that it can be asked", "the service runs, and nobody can ask it how it is")
		return
	}
	status, err := health(ctx, f.health)
	for end := time.Now().Add(asking); (err != nil || status != http.StatusOK) && time.Now().Before(end); status, err = health(ctx, f.health) {
		time.Sleep(asking / 20) // it may have been started a moment ago
	}
	switch {
	case err != nil:
		r.Wrong("look into its log: journalctl -u turnstone", "the service runs, and does not say how it is: %v", err)
	case status != http.StatusOK:
		r.Wrong("look at http://"+f.health+"/health, and into its log: journalctl -u turnstone", "the service runs, and is not well")
	default:
		r.Well("the service runs, and is well")
	}
}

// health asks a service how it is.
func health(ctx context.Context, addr string) (status int, err error) {
	ctx, cancel := context.WithTimeout(ctx, asking/2)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/health", nil)
	if err != nil {
		return 0, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err
	}
	return resp.StatusCode, resp.Body.Close()
}

// late is when a daily backup is missed (common practice, no source): it is
// made once the last is a day old, and tried again each hour.
const late = 26 * time.Hour

func examineBackups(f *service, r *inspect.Report, now time.Time) {
	if f.backup == "" {
		r.Wrong("set backup in the configuration", "no backups are made")
		return
	}
	made, err := backup.Newest(f.backup)
	age := now.Sub(made).Round(time.Minute)
	switch {
	case err != nil:
		r.Wrong("let the service's user write there", "the backups in %s: %v", f.backup, err)
	case made.IsZero():
		r.Look("the first is made at the first start; look again after it", "there is no backup in %s", f.backup)
	case age > late:
		r.Wrong("look into the log for why none was made: journalctl -u turnstone", "the newest backup is %s old", age)
	default:
		r.Well("the newest backup is %s old; keep the key file %s in another place", age, f.place.keyPath())
	}
}

// errBoth says that files and a service are not checked at once.
var errBoth = errors.New("--live looks at a service and takes no file; name its configuration with --config")
