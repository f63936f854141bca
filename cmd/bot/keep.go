package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"turnstone/backup"
	"turnstone/care"
	"turnstone/export"
	"turnstone/locales"
	"turnstone/store"
	"turnstone/store/bolt"
	"turnstone/store/keyfile"
)

// tool reads the flags of a subcommand that works on a store, and its one argument.
func tool(name, argument string, args []string, w world, more func(*flag.FlagSet, *place)) (place, string, error) {
	var at place
	fs := flag.NewFlagSet("bot "+name, flag.ContinueOnError)
	fs.SetOutput(w.err)
	at.flags(fs, "folder of the store (default: the usual one)")
	config := configFlag(fs)
	if more != nil {
		more(fs, &at)
	}
	if err := fs.Parse(args); err != nil {
		return at, "", errUsage
	}
	if fs.NArg() != 1 || fs.Arg(0) == "" {
		return at, "", fmt.Errorf("bot %s needs one argument: bot %s [flags] %s", name, name, argument)
	}
	if _, err := at.configure(*config); err != nil {
		return at, "", err
	}
	return at, fs.Arg(0), at.settle(w.env)
}

// openThere opens a store that must be there.
func openThere(ctx context.Context, at place, w world) (*storage, error) {
	if _, err := os.Stat(filepath.Join(at.dir, bolt.DataFile)); err != nil && at.redis == "" {
		return nil, fmt.Errorf("there is no store in %s: name its folder with --data", at.dir)
	}
	return openStorage(ctx, at, noBallast, time.Now, logger(w.err))
}

// backUp copies the store into a folder of backups.
func backUp(ctx context.Context, args []string, w world) (err error) {
	at, to, err := tool("backup", "FOLDER", args, w, nil)
	if err != nil {
		return err
	}
	s, err := openThere(ctx, at, w)
	if errors.Is(err, store.ErrHeld) {
		return fmt.Errorf("%w; or start the bot with --backup FOLDER, and it makes one a day while it runs", err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	made, err := backup.Write(ctx, s.source(at), to, time.Now())
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w.out, "%s\nThe master key %s is not in it: keep a copy of that file in another place.\n", made, at.keyPath())
	return err
}

func (s *storage) source(at place) backup.Source {
	return backup.Source{Data: s.bolt, Keys: s.file, Erased: at.erasedPath()}
}

// restore puts a backup back.
func restore(ctx context.Context, args []string, w world) error {
	at, from, err := tool("restore", "FOLDER/MOMENT", args, w, nil)
	if err != nil {
		return err
	}
	masters, err := keyfile.ReadMasters(at.keyPath())
	if err != nil {
		return fmt.Errorf("%w: put your copy of the master key file there, or name it with --key; without it a backup cannot be read", err)
	}
	target := backup.Target{Dir: at.dir, Erased: at.erasedPath(), Masters: masters}
	res, err := backup.Restore(ctx, from, target, time.Now(), logger(w.err))
	if err != nil {
		return err
	}
	fmt.Fprintf(w.out, "The backup of %s is back in %s: %d people.\n", res.Made.Format(time.RFC3339), at.dir, res.People)
	fmt.Fprintf(w.out, "Erased since, and erased again: %d.\n", res.Erased)
	fmt.Fprintf(w.out, "Something was past due for %d; staff have an item for each, and none of them was written to.\n", res.Staff)
	if res.Aside != "" {
		fmt.Fprintf(w.out, "What was there before lies in %s; delete it when you need it no more.\n", res.Aside)
	}
	return nil
}

// exportPerson writes everything that is kept of one person.
func exportPerson(ctx context.Context, args []string, w world) (err error) {
	asPage := false
	at, who, err := tool("export", "PERSON", args, w, func(fs *flag.FlagSet, at *place) {
		at.serverFlag(fs)
		fs.BoolVar(&asPage, "page", false, "a page to read instead of data")
	})
	if err != nil {
		return err
	}
	s, err := openThere(ctx, at, w)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	person := care.PersonID(who)
	if channel, account, ok := strings.Cut(who, ":"); ok {
		if person, err = s.person(ctx, channel, account); err != nil {
			return err
		}
	}
	d, err := export.Of(ctx, s, person, time.Now())
	if errors.Is(err, export.ErrNobody) {
		return fmt.Errorf("%w: %s; write CHANNEL:ACCOUNT, such as local:p1, or the pseudonym", err, who)
	}
	if err != nil {
		return err
	}
	if !asPage {
		return d.JSON(w.out)
	}
	book, err := locales.Load(locales.Files)
	if err != nil {
		return err
	}
	return d.Page(w.out, book)
}

// newKey makes a new master key and wraps every person's key with it.
func newKey(ctx context.Context, args []string, w world) (err error) {
	at, what, err := tool("key", "new", args, w, func(fs *flag.FlagSet, at *place) { at.serverFlag(fs) })
	if err != nil {
		return err
	}
	if what != "new" {
		return fmt.Errorf("bot key knows %q, not %q", "new", what)
	}
	if at.redis == "" { // nobody can tell whether a bot runs on a server
		if err := bolt.Free(at.dir); err != nil {
			return err
		}
	}
	masters, err := keyfile.ReadMasters(at.keyPath())
	if err != nil {
		return err
	}
	if err := masters.Rotate(); err != nil {
		return err
	}
	if err := keyfile.WriteMasters(at.keyPath(), masters); err != nil {
		return err
	}
	s, err := openThere(ctx, at, w)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	n, err := s.keys.Rewrap(ctx)
	if err != nil {
		return fmt.Errorf("wrap the persons' keys anew: %w; they still open as they are, and the next `bot key new` tries again", err)
	}
	if at.redis != "" {
		fmt.Fprintf(w.out, "Copy %s to every machine now: a bot that has the older file alone reads nobody that it does not know already. It takes the newer one while it runs.\n", at.keyPath())
	}
	_, err = fmt.Fprintf(w.out, "Master key %d wraps %d keys. Copy %s to your other place now, and make a backup.\nThe older master keys in it are needed for backups of the persons' keys from before.\n", masters.Newest(), n, at.keyPath())
	return err
}
