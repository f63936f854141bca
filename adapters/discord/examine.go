package discord

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/bwmarrin/discordgo"

	"turnstone/inspect"
)

// Rooms are what is looked at in one configured server: IDs of the watched
// channels, of the staff channels, and of the roles that the clinic's people
// have there.
type Rooms struct {
	Server               string
	Watch, Staff, Clinic []string
}

// An examiner looks at everything once.
type examiner struct {
	*Bot
	ctx    context.Context //nolint:containedctx // it lives for one look
	report *inspect.Report
	self   string
	guilds map[string]*guild
}

// A guild is a server with what the bot may do in it.
type guild struct {
	*discordgo.Guild
	own []string // roles of the bot
}

// Examine looks with the token whether all is as a service needs it: intents,
// commands, clock, servers and channels. It changes nothing, and opens no
// gateway, so that it may run beside the service.
func (b *Bot) Examine(ctx context.Context, rooms []Rooms, r *inspect.Report) {
	e := &examiner{Bot: b, ctx: ctx, report: r, guilds: map[string]*guild{}}
	if !e.application() {
		return
	}
	e.clock()
	e.sessions()
	e.registered()
	in := e.servers(rooms)
	for _, room := range rooms {
		if slices.Contains(in, room.Server) {
			e.server(room)
		}
	}
}

// get asks for something.
func (e *examiner) get(path string, out any) error {
	return e.client.do(e.ctx, call{route: route{name: "examine", major: path}, method: http.MethodGet, path: path}, out)
}

// Flags of an application (Discord's documentation, "Application Flags"). The
// second of each pair is for what is in fewer than 100 servers.
const (
	presenceFlags = 1<<12 | 1<<13
	membersFlags  = 1<<14 | 1<<15
	contentFlags  = 1<<18 | 1<<19
)

// application looks at the token, and what is switched on for it.
func (e *examiner) application() bool {
	var app struct {
		ID     string `json:"id"`
		Flags  int    `json:"flags"`
		Public bool   `json:"bot_public"`
	}
	err := e.get("applications/@me", &app)
	if err == nil {
		var self account
		err = e.get("users/@me", &self)
		e.self = string(self.ID)
	}
	if r, refused := errors.AsType[*refusal](err); refused && r.status == http.StatusUnauthorized {
		e.report.Wrong("make a new one on the application's page (Bot, Reset Token), and put it in the token file", "Discord does not take the token")
		return false
	}
	if err != nil {
		e.report.Wrong("look whether this machine reaches discord.com, and try again", "Discord does not answer: %v", err)
		return false
	}
	e.app = app.ID
	e.report.Well("Discord takes the token")
	content := app.Flags&contentFlags != 0
	switch {
	case e.set.Watch && !content:
		e.report.Wrong("switch it on on the application's page (Bot, Message Content Intent), or let no channel be watched", "channels are to be watched, and the message content intent is off")
	case !e.set.Watch && content:
		e.report.Look("switch it off on the application's page (Bot): no channel is watched", "the message content intent is on, and nothing needs it")
	case content:
		e.report.Well("the message content intent is on, for the watched channels")
	default:
		e.report.Well("the message content intent is off")
	}
	if app.Flags&(presenceFlags|membersFlags) != 0 {
		e.report.Look("switch both off on the application's page (Bot)", "the presence or the server members intent is on, and nothing needs it")
	}
	if app.Public {
		e.report.Look("switch off Public Bot on the application's page (Bot)", "anybody may invite the bot to a server")
	}
	return true
}

// How far this machine's clock may be off (common practice, no source). The
// answers of Discord tell the time by the second.
const (
	clockLook  = 5 * time.Second
	clockWrong = time.Minute
)

func (e *examiner) clock() {
	skew := time.Duration(e.transport.skew.Load())
	const do = "set it by the network: timedatectl set-ntp true"
	switch {
	case skew.Abs() > clockWrong:
		e.report.Wrong(do, "this machine's clock is %s off Discord's: checks would come at the wrong time", skew.Round(time.Second))
	case skew.Abs() > clockLook:
		e.report.Look(do, "this machine's clock is %s off Discord's", skew.Round(time.Second))
	default:
		e.report.Well("this machine's clock agrees with Discord's")
	}
}

// fewSessions is how many new connections a day should be left (common
// practice, no source).
const fewSessions = 50

func (e *examiner) sessions() {
	var g struct {
		Limit struct {
			Total     int `json:"total"`
			Remaining int `json:"remaining"`
		} `json:"session_start_limit"`
	}
	switch err := e.get("gateway/bot", &g); {
	case err != nil:
		e.report.Wrong("try again", "Discord does not say whether the bot may connect: %v", err)
	case g.Limit.Remaining < fewSessions:
		e.report.Look("find out why it connects so often, before Discord resets the token", "today the bot may connect %d more times, of %d", g.Limit.Remaining, g.Limit.Total)
	default:
		e.report.Well("the bot may connect")
	}
}

// registered looks whether Discord has the commands.
func (e *examiner) registered() {
	var list []struct {
		Name string `json:"name"`
	}
	if err := e.get("applications/"+e.app+"/commands", &list); err != nil {
		e.report.Wrong("try again", "Discord does not tell the commands: %v", err)
		return
	}
	var missing []string
	for _, name := range []string{openCommand, setupCommand} {
		if !slices.ContainsFunc(list, func(c struct {
			Name string `json:"name"`
		},
		) bool {
			return c.Name == name
		}) {
			missing = append(missing, "/"+name)
		}
	}
	if missing != nil {
		e.report.Wrong("start the service once: it registers them", "Discord does not know %s", strings.Join(missing, " and "))
		return
	}
	e.report.Well("the commands are registered")
}

// servers looks in which servers the bot is, and gives their IDs.
func (e *examiner) servers(rooms []Rooms) []string {
	var list []struct {
		ID   string `json:"id"`
		Name string `json:"name"`
	}
	if err := e.get("users/@me/guilds", &list); err != nil {
		e.report.Wrong("try again", "Discord does not tell in which servers the bot is: %v", err)
		return nil
	}
	var in []string
	for _, g := range list {
		in = append(in, g.ID)
		uses := slices.ContainsFunc(rooms, func(r Rooms) bool { return r.Server == g.ID })
		if !uses {
			e.report.Look("put it into the configuration, or the bot out of it; a server that holds only the staff channel may stay", "the bot is in the server %q (%s), which has no [[server]] block", g.Name, g.ID)
		}
	}
	for _, r := range rooms {
		if !slices.Contains(in, r.Server) {
			e.report.Wrong("invite it: "+e.invitationLink(), "the bot is not in the server %s", r.Server)
		}
	}
	return in
}

// invitationLink brings the bot into a server with the least that it needs.
func (e *examiner) invitationLink() string {
	return fmt.Sprintf("https://discord.com/oauth2/authorize?client_id=%s&scope=bot+applications.commands&permissions=%d", e.app, needed|forThreads)
}
