package main

import (
	"cmp"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"turnstone/adapters/discord"
	"turnstone/care"
	"turnstone/settings"
	"turnstone/sign"
)

// A service is what one run of bot serve or bot retire goes by: the configuration, and the
// flags on top of it.
type service struct {
	place     place
	backup    string
	token     string // its file
	at        string
	health    string
	languages []care.Locale
	watch     bool
	servers   []settings.Server
	hours     care.Hours // of the clinic, where a server has none of its own
	room      string     // the staff channel
	second    string     // the second list's
	months    int        // how long a closed talk is kept; 0 is the usual time
}

// serviceFlags are the flags of everything that works on a service.
func serviceFlags(name string, w world) (*flag.FlagSet, *service, *string) {
	f := &service{}
	set := flag.NewFlagSet("bot "+name, flag.ContinueOnError)
	set.SetOutput(w.err)
	config := configFlag(set)
	f.place.flags(set, "folder of the durable store (default: TURNSTONE_DATA, or ~/.local/share/turnstone)")
	f.place.signFlag(set)
	f.place.serverFlag(set)
	set.StringVar(&f.backup, "backup", "", "a backup there each day")
	set.StringVar(&f.token, "discord-token", "", "file that holds the token of the Discord bot, and nothing else")
	set.StringVar(&f.at, "discord-at", "", "a stand-in for Discord on this machine, such as http://127.0.0.1:8080")
	set.Func("locale", "language for whom Discord names none (default: the base language)", func(l string) error {
		f.languages = []care.Locale{care.Locale(l)}
		return nil
	})
	set.Func("hours", hoursHelp, func(value string) (err error) {
		f.hours, err = openingHours(value)
		return err
	})
	set.StringVar(&f.room, "staff-channel", "", "ID of the Discord channel in which items for staff stand (default: none)")
	set.StringVar(&f.second, "second-channel", "", "ID of the channel of a second list, for what nobody took in time")
	set.BoolVar(&f.watch, "watch", false, "channels may be watched for emergencies (needs the message content intent)")
	set.StringVar(&f.health, "health", "", "where /health and /metrics are told, on this machine only, such as 127.0.0.1:9464")
	return set, f, config
}

// service reads the flags and the configuration, and everything that must be
// right before anything is begun. Every fault comes at once. It gives the token
// of the bot beside.
func (p *parts) service(name string, args []string, w world) (*service, string, error) {
	set, f, config := serviceFlags(name, w)
	if err := set.Parse(args); err != nil {
		return nil, "", errUsage
	}
	var errs []error
	if set.NArg() > 0 {
		errs = append(errs, fmt.Errorf("%q is not understood; flags begin with --", set.Arg(0)))
	}
	if *config == "" && f.at == "" {
		errs = append(errs, errors.New("people are answered by a configuration only, which names staff and hours: --config FILE; deploy/lantern-bay.toml is an example"))
	}
	spoken, err := f.configure(*config, p.book.Locales())
	errs = append(errs, err, f.place.settle(w.env))
	token, err := f.secret(w.env)
	errs = append(errs, err, f.place.check(f.backup), f.rooms())
	hours := map[string]care.Hours{}
	for _, s := range f.servers {
		hours[s.ID] = s.Hours
	}
	errs = append(errs, p.settle(terms{protocol: "ankle", signatures: f.place.signedPath(), languages: spoken, usual: f.hours, hours: hours, months: f.months}))
	if p.practice && f.at == "" {
		errs = append(errs, unsigned(p.standing))
	}
	return f, token, errors.Join(errs...)
}

// configure lays the configuration under the flags, and gives the languages
// that it lets be spoken.
func (f *service) configure(path string, known []care.Locale) ([]care.Locale, error) {
	if path == "" {
		first := known[0]
		if f.languages != nil {
			first = f.languages[0]
		}
		f.languages = append([]care.Locale{first}, known...)
		if !slices.Contains(known, first) {
			return nil, fmt.Errorf("--locale %q is not spoken; it can be one of %v", first, known)
		}
		return nil, nil
	}
	s, err := f.place.configure(path)
	if s == nil {
		return nil, err
	}
	f.backup, f.health, f.token = cmp.Or(f.backup, s.Backup), cmp.Or(f.health, s.Health), cmp.Or(f.token, s.Token)
	if first := f.languages; first != nil && !slices.Contains(s.Languages, first[0]) {
		err = errors.Join(err, fmt.Errorf("--locale %q is not among the languages of %s: %v", first[0], path, s.Languages))
	}
	f.languages = append(f.languages, s.Languages...)
	f.watch, f.servers, f.months = f.watch || s.Watching(), s.Servers, s.KeepMonths
	for _, server := range s.Servers {
		if len(server.Staff) > 0 && f.room == "" {
			f.room, f.second = server.Staff[0], strings.Join(server.Staff[1:min(2, len(server.Staff))], "")
		}
		if !f.hours.Known() {
			f.hours = server.Hours
		}
	}
	return s.Languages, err
}

// rooms checks the channels of staff.
func (f *service) rooms() error {
	var errs []error
	for name, id := range map[string]string{"--staff-channel": f.room, "--second-channel": f.second} {
		if _, err := strconv.ParseUint(id, 10, 64); err != nil && id != "" {
			errs = append(errs, fmt.Errorf("%s %q is no ID of a channel: it is a long number, which Discord's developer mode copies", name, id))
		}
	}
	if f.second != "" && f.room == "" {
		errs = append(errs, errors.New("--second-channel needs --staff-channel"))
	}
	return errors.Join(errs...)
}

// communities are the configured servers as the channel takes them.
func (f *service) communities() map[string]discord.Server {
	out := map[string]discord.Server{}
	for _, s := range f.servers {
		l := s.Language
		if l == "" {
			l = f.languages[0]
		}
		out[s.ID] = discord.Server{Zone: s.Zone, Region: s.Region, Locale: l, Watch: s.Watch}
	}
	return out
}

// secret reads the token.
func (f *service) secret(env func(string) string) (string, error) {
	if f.token == "" {
		return "", errors.New("--discord-token, or token_file in the configuration, must name the file that holds the token")
	}
	return readSecret(f.token, env("CREDENTIALS_DIRECTORY"))
}

// unsigned says what keeps a program for practice away from people.
func unsigned(list []sign.Standing) error {
	lines := []string{"people may not be answered before these are signed; for practice name a stand-in on this machine with --discord-at:"}
	for _, s := range list {
		if s.Needed && s.By == nil {
			lines = append(lines, "  "+s.String())
		}
	}
	return errors.New(strings.Join(lines, "\n"))
}

// readSecret reads a secret from a file that only its owner may read. What
// systemd hands over lies in a folder that only the service sees, and may be
// read by its group by mode: an access list, which the mode cannot show, names
// the one user (systemd's issue 29435).
func readSecret(name, credentials string) (string, error) {
	info, err := os.Stat(name)
	if err != nil {
		return "", fmt.Errorf("the token file: %w", err)
	}
	others := fs.FileMode(0o077)
	if credentials != "" && filepath.Dir(name) == filepath.Clean(credentials) {
		others = 0o037
	}
	if info.Mode().Perm()&others != 0 {
		return "", fmt.Errorf("others may read %s: run chmod 600 %s", name, name)
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return "", fmt.Errorf("the token file: %w", err)
	}
	return strings.TrimSpace(string(data)), nil
}
