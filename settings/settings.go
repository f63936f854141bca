// Package settings reads the file that says how a clinic's service runs: where
// it keeps things, which servers it answers in, and who is there when. The file
// is checked whole; every fault comes at once, with its line. Secrets do not
// stand in it, only the names of their files.
package settings

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/tomlfile"
)

// Settings are one file.
type Settings struct {
	Data       string        `toml:"data"`        // folder of the store
	Redis      string        `toml:"redis"`       // address of a server, in place of the store in the folder
	Key        string        `toml:"key"`         // master key file; empty is beside the store
	Signed     string        `toml:"signed"`      // file of signatures; empty is beside the store
	Backup     string        `toml:"backup"`      // folder of the daily backups; empty is none
	Health     string        `toml:"health"`      // where /health is told, on this machine; empty is nowhere
	Token      string        `toml:"token_file"`  // holds the token of the Discord bot
	Languages  []care.Locale `toml:"languages"`   // that may be spoken, the first to whom Discord names none; empty is all
	KeepMonths int           `toml:"keep_months"` // how long a closed talk is kept; 0 is the usual time
	Servers    []Server      `toml:"server"`
}

// A Server is a community on Discord in which the clinic answers.
type Server struct {
	ID       string      `toml:"id"`
	Zone     string      `toml:"zone"`     // of its people, such as Europe/Lisbon
	Region   string      `toml:"region"`   // such as PT
	Language care.Locale `toml:"language"` // of what everybody reads there; empty is the first of Languages
	Watch    []string    `toml:"watch"`    // channels that are read for emergencies
	Staff    []string    `toml:"staff"`    // channels that only the clinic sees: items stand in the first, what nobody took in time in the second
	Clinic   []string    `toml:"clinic"`   // roles that the clinic's people have there; they give no rights in this program
	Open     string      `toml:"hours"`    // such as "Mon-Fri 08:00-18:00; Sat 09:00-13:00"
	Closed   []string    `toml:"closed"`   // dates on which the clinic stays shut

	Hours care.Hours `toml:"-"`
}

// Known is what the program knows that a file may name.
type Known struct {
	Regions   []string
	Languages []care.Locale // the base language first
}

// Read reads a file and checks it whole.
func Read(path string, known Known) (*Settings, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the configuration: %w", err)
	}
	var s Settings
	f, err := tomlfile.Decode(path, data, &s)
	if err != nil {
		return nil, err
	}
	c := checker{f, known}
	c.places(&s)
	c.languages("languages", s.Languages...)
	if len(s.Languages) == 0 {
		s.Languages = known.Languages
	}
	if s.KeepMonths != 0 && (s.KeepMonths < leastMonths || s.KeepMonths > mostMonths) {
		f.Fault("keep_months", "a closed talk is kept for %d to %d months: write such a number, or leave it out", leastMonths, mostMonths)
	}
	if len(s.Servers) == 0 {
		f.Fault("server", "there is no server: add a [[server]] block")
	}
	c.servers(s.Servers)
	return &s, f.Err()
}

// How long a closed talk may be kept (common practice, no source): longer than
// the last check is away, and no longer than two years.
const (
	leastMonths = 1
	mostMonths  = 24
)

// A checker finds faults in one file.
type checker struct {
	f     *tomlfile.File
	known Known
}

// places checks files, folders and the address.
func (c checker) places(s *Settings) {
	for _, p := range []struct {
		name, path string
		needed     bool
	}{{"data", s.Data, true}, {"key", s.Key, false}, {"signed", s.Signed, false}, {"backup", s.Backup, false}, {"token_file", s.Token, true}} {
		switch {
		case p.path == "" && p.needed:
			c.f.Fault(p.name, "%s is missing: write its whole path", p.name)
		case p.path != "" && !filepath.IsAbs(p.path):
			c.f.Fault(p.name, "%s is %q: write its whole path, from / on", p.name, p.path)
		}
	}
	if s.Data != "" && s.Backup != "" && inside(s.Backup, s.Data) {
		c.f.Fault("backup", "the backups lie in the store's own folder: name another, best on another disk")
	}
	if s.Key != "" && s.Backup != "" && inside(s.Key, s.Backup) {
		c.f.Fault("key", "the master key lies among the backups, which it opens: put it elsewhere")
	}
	if s.Health == "" {
		return
	}
	host, port, err := net.SplitHostPort(s.Health)
	if ip := net.ParseIP(host); err != nil || port == "" || ip == nil || !ip.IsLoopback() {
		c.f.Fault("health", "health is %q: write an address on this machine, such as 127.0.0.1:9464", s.Health)
	}
}

// inside reports whether path lies in folder, or is it.
func inside(path, folder string) bool {
	rel, err := filepath.Rel(folder, path)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

func (c checker) languages(at string, list ...care.Locale) {
	for i, l := range list {
		if !slices.Contains(c.known.Languages, l) {
			c.f.Fault(at, "the language %q is not spoken: it can be one of %v", l, c.known.Languages)
		}
		if slices.Contains(list[:i], l) {
			c.f.Fault(at, "the language %q stands there twice: keep one", l)
		}
	}
}

// snowflake is an ID of Discord: a number of 64 bits, from 2015 on (Discord's
// documentation, "Snowflakes").
var snowflake = regexp.MustCompile(`^[0-9]{17,20}$`)

func (c checker) servers(list []Server) {
	ids := map[string]bool{}
	for i := range list {
		s, at := &list[i], fmt.Sprintf("server[%d]", i)
		for _, id := range slices.Concat([]string{s.ID}, s.Watch, s.Staff, s.Clinic) {
			switch {
			case !snowflake.MatchString(id):
				c.f.Fault(c.where(at, s, id), "%q is no ID: switch on developer mode in Discord, and copy the ID by a right click", id)
			case ids[id]:
				c.f.Fault(c.where(at, s, id), "the ID %s stands here twice: a server stands once, and a channel is watched or staff's", id)
			}
			ids[id] = true
		}
		c.server(at, s)
	}
}

// where is the path at which an ID of a server stands.
func (c checker) where(at string, s *Server, id string) string {
	switch {
	case slices.Contains(s.Staff, id):
		return at + ".staff"
	case slices.Contains(s.Clinic, id):
		return at + ".clinic"
	case slices.Contains(s.Watch, id):
		return at + ".watch"
	}
	return at + ".id"
}

func (c checker) server(at string, s *Server) {
	if _, err := time.LoadLocation(s.Zone); err != nil || s.Zone == "" || s.Zone == "Local" {
		c.f.Fault(at+".zone", "zone is %q: write the time zone of the people there, such as Europe/Lisbon", s.Zone)
		return
	}
	if !slices.Contains(c.known.Regions, s.Region) {
		c.f.Fault(at+".region", "region is %q: it can be one of %s", s.Region, strings.Join(c.known.Regions, ", "))
	}
	if s.Language != "" {
		c.languages(at+".language", s.Language)
	}
	if len(s.Staff) == 0 {
		c.f.Fault(at+".staff", "no staff channel: name one that only the clinic sees, such as staff = [\"123456789012345678\"]")
	}
	if len(s.Clinic) == 0 {
		c.f.Fault(at+".clinic", "no role of the clinic: name those that its people have there, so that it can be told who else sees the staff channel")
	}
	hours, err := care.ParseHours(s.Zone, s.Open, s.Closed...)
	if err != nil {
		for line := range strings.SplitSeq(err.Error(), "\n") {
			c.f.Fault(at+".hours", "%s", line)
		}
	}
	s.Hours = hours
}

// Watching reports whether any channel is read for emergencies: Discord then
// asks for the message content intent.
func (s *Settings) Watching() bool {
	return slices.ContainsFunc(s.Servers, func(one Server) bool { return len(one.Watch) > 0 })
}
