package discord

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/store"
)

// A Server is what is set for one: in the configuration, else by its installer
// with the command.
type Server struct {
	Zone   string
	Region string
	Locale care.Locale // of what everybody reads
	Watch  []string    // channels that are read for emergencies
}

// installed is a Server as the command keeps it.
type installed struct {
	Zone   string      `json:"zone"`
	Region string      `json:"region"`
	Watch  string      `json:"watch,omitempty"`
	Locale care.Locale `json:"locale"`
}

func (s installed) server() Server {
	out := Server{Zone: s.Zone, Region: s.Region, Locale: s.Locale}
	if s.Watch != "" {
		out.Watch = []string{s.Watch}
	}
	return out
}

const serverPrefix = "discord/server/"

// server reads what was set for one. Without it the person is asked.
func (b *Bot) server(ctx context.Context, id string) (Server, bool) {
	if s, ok := b.set.Servers[id]; ok || id == "" {
		return s, ok
	}
	var s installed
	data, _, ok, err := b.house.Store.Get(ctx, serverPrefix+id)
	if err == nil && ok {
		err = json.Unmarshal(data, &s)
	}
	if err != nil {
		b.log.ErrorContext(ctx, "the settings of a server can't be read", "err", err)
	}
	return s.server(), ok && err == nil
}

// manageServer is the permission of whoever may set things (Discord's
// documentation, "Permissions").
const manageServer = 1 << 5

// setUp keeps the zone and region of a server, unless the configuration has
// them, and pins the message with the button that begins a private talk.
func (b *Bot) setUp(ctx context.Context, _ *talk, j job, i interaction) error {
	l := b.localeOf(i.Locale)
	say := func(key string, args ...string) error {
		return b.rewrite(ctx, j.reply, plain(b.text(l, key, args...)))
	}
	rights, err := strconv.ParseUint(i.Member.Permissions, 10, 64)
	if err != nil || rights&manageServer == 0 || i.GuildID == "" {
		return say("discord.not_allowed")
	}
	done := "discord.pinned_only"
	s, configured := b.set.Servers[string(i.GuildID)]
	if !configured {
		own := installed{Zone: i.setting("zone"), Region: strings.ToUpper(i.setting("region")), Watch: i.setting("watch"), Locale: l}
		_, zoneErr := time.LoadLocation(own.Zone)
		_, known := b.house.Numbers.Emergency(own.Region)
		switch {
		case zoneErr != nil || own.Zone == "" || own.Zone == "Local":
			return say("discord.bad_zone")
		case !known:
			return say("discord.bad_region", "regions", strings.Join(b.house.Numbers.Regions(), ", "))
		}
		if err := b.install(ctx, string(i.GuildID), own); err != nil {
			return err
		}
		done, s = "discord.set", own.server()
	}
	if err := b.pin(ctx, j, s); err != nil {
		b.log.WarnContext(ctx, "the message with the button could not be pinned", "err", err)
		return say("discord.set_unpinned")
	}
	return say(done)
}

// install keeps what the command has set.
func (b *Bot) install(ctx context.Context, id string, s installed) error {
	data, err := json.Marshal(s)
	if err != nil {
		return err
	}
	return b.house.Store.Put(ctx, serverPrefix+id, data, store.AnyEtag, time.Time{})
}

// pin posts the message that begins a talk, and pins it.
func (b *Bot) pin(ctx context.Context, j job, s Server) error {
	p := posted{body: b.invitation(s), Nonce: nonce(care.ItemID(j.event), 0), Enforce: true}
	id, err := b.postTo(ctx, j.channel, p, false)
	if err != nil {
		return err
	}
	return b.client.do(ctx, call{
		route: route{name: "pin", major: j.channel}, method: http.MethodPut, path: "channels/" + j.channel + "/messages/pins/" + id,
	}, nil)
}

// invitation reads the same for everybody and names nobody. It carries the
// emergency line, so that it stands on its own when nothing answers.
func (b *Bot) invitation(s Server) body {
	text := b.text(s.Locale, "discord.pinned")
	if number, ok := b.house.Numbers.Emergency(s.Region); ok {
		text = b.text(s.Locale, "discord.pinned_number", "number", number)
	}
	return plain(text, rowOf(button{Type: 2, Style: mainButton, Label: b.text(s.Locale, "discord.open"), CustomID: openID}))
}

// pointEvery is how often the pointer may stand in a watched channel.
const pointEvery = 10 * time.Minute

// overheard reads a message in a server: words of a private thread, or danger
// in a channel that is watched. The pointer is no reply and names nobody.
func (b *Bot) overheard(ctx context.Context, t *talk, j job) error {
	if n := t.read(); n.Thread == j.channel {
		return b.said(ctx, t, j)
	}
	s, ok := b.server(ctx, j.server)
	if !ok || !slices.Contains(s.Watch, j.channel) || b.house.Screen.Read(j.text, b.set.Locale).Class() == care.NoClass {
		return nil
	}
	b.mu.Lock()
	now := b.set.Now()
	due := now.Sub(b.pointed[j.channel]) >= pointEvery
	if due {
		b.pointed[j.channel] = now
	}
	b.mu.Unlock()
	if !due {
		return nil
	}
	_, err := b.postTo(ctx, j.channel, posted{body: b.invitation(s), Nonce: nonce(care.ItemID(j.event), 0), Enforce: true}, true)
	return err
}

// Names of the commands as they arrive, whatever the person's language.
const (
	openCommand  = "ankle"
	setupCommand = "ankle-setup"
)

// discordLocales are the locales of Discord for each language of the house
// (its documentation, "Locales").
var discordLocales = map[care.Locale][]string{"en": {"en-US", "en-GB"}, "es": {"es-ES", "es-419"}}

// commandName is the rule for names (Discord's documentation, "Application
// Command Naming").
var commandName = regexp.MustCompile(`^[-_'\p{L}\p{N}]{1,32}$`)

type commandBody struct {
	Name     string            `json:"name"`
	Names    map[string]string `json:"name_localizations"`
	What     string            `json:"description"`
	Whats    map[string]string `json:"description_localizations"`
	Type     int               `json:"type"`
	Options  []commandOption   `json:"options,omitempty"`
	Rights   *int              `json:"default_member_permissions"`
	Contexts []int             `json:"contexts"`
	Installs []int             `json:"integration_types"`
}

type commandOption struct {
	Type     int               `json:"type"`
	Name     string            `json:"name"`
	What     string            `json:"description"`
	Whats    map[string]string `json:"description_localizations"`
	Required bool              `json:"required,omitempty"`
	Kinds    []int             `json:"channel_types,omitempty"`
}

// commands are this program's commands in every language.
func (b *Bot) commands() ([]commandBody, error) {
	rights, asked := manageServer, len(b.set.Servers) == 0 // else the configuration has them
	list := []commandBody{
		{Name: openCommand, Names: b.inAll("discord.command"), What: b.text("en", "discord.command_what"), Whats: b.inAll("discord.command_what"), Type: 1, Contexts: []int{0, 1}, Installs: []int{0}},
		{
			Name: setupCommand, Names: b.inAll("discord.setup"), What: b.text("en", "discord.setup_what"), Whats: b.inAll("discord.setup_what"), Type: 1,
			Rights: &rights, Contexts: []int{0}, Installs: []int{0},
			Options: []commandOption{
				{Type: 3, Name: "zone", What: b.text("en", "discord.setup_zone"), Whats: b.inAll("discord.setup_zone"), Required: asked},
				{Type: 3, Name: "region", What: b.text("en", "discord.setup_region"), Whats: b.inAll("discord.setup_region"), Required: asked},
				{Type: 7, Name: "watch", What: b.text("en", "discord.setup_watch"), Whats: b.inAll("discord.setup_watch"), Kinds: []int{0}},
			},
		},
	}
	for _, c := range list {
		for l, name := range c.Names {
			if !commandName.MatchString(name) || name != strings.ToLower(name) {
				return nil, fmt.Errorf("the command name %q for %s must be small letters, figures, - and _", name, l)
			}
		}
	}
	return list, nil
}

func (b *Bot) inAll(key string) map[string]string {
	out := map[string]string{}
	for _, l := range b.house.Book.Locales() {
		for _, d := range discordLocales[l] {
			out[d] = b.text(l, key)
		}
	}
	return out
}

const commandsKey = "discord/commands"

// register tells Discord the commands, if they are not those it has: it
// allows 200 new ones a day.
func (b *Bot) register(ctx context.Context) error {
	var app sent
	if err := b.client.do(ctx, call{route: route{name: "application"}, method: http.MethodGet, path: "applications/@me"}, &app); err != nil {
		if r, ok := err.(*refusal); ok && r.status == http.StatusUnauthorized { //nolint:errorlint // do gives a bare refusal
			return fmt.Errorf("%w (status 401): %s", ErrRefused, final[4004])
		}
		return fmt.Errorf("ask Discord which application this is: %w", err)
	}
	b.mu.Lock()
	b.app = app.ID
	b.mu.Unlock()
	list, err := b.commands()
	if err != nil {
		return err
	}
	data, err := json.Marshal(list)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(slices.Concat([]byte(app.ID), data))
	was, _, _, err := b.house.Store.Get(ctx, commandsKey)
	if err != nil || bytes.Equal(was, sum[:]) {
		return err
	}
	if err := b.client.do(ctx, call{
		route: route{name: "commands", major: app.ID}, method: http.MethodPut, path: "applications/" + app.ID + "/commands", body: list,
	}, nil); err != nil {
		return fmt.Errorf("tell Discord the commands: %w", err)
	}
	return b.house.Store.Put(ctx, commandsKey, sum[:], store.AnyEtag, time.Time{})
}
