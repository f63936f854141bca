package discord

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"github.com/bwmarrin/discordgo"
)

// Permissions (Discord's documentation, "Permissions").
const (
	administrator = discordgo.PermissionAdministrator
	view          = discordgo.PermissionViewChannel
	send          = discordgo.PermissionSendMessages
	attach        = discordgo.PermissionAttachFiles
	history       = discordgo.PermissionReadMessageHistory
	startThread   = discordgo.PermissionCreatePrivateThreads
	sendInThreads = discordgo.PermissionSendMessagesInThreads
	pinMessages   = int64(1) << 51

	needed     = view | send | pinMessages
	forThreads = startThread | sendInThreads | history | attach // for who takes no direct messages
)

// tooMuch are rights with which a stolen token could do harm, by their names
// on Discord's pages.
var tooMuch = []struct {
	bit  int64
	name string
}{
	{administrator, "Administrator"},
	{discordgo.PermissionManageGuild, "Manage Server"},
	{discordgo.PermissionManageRoles, "Manage Roles"},
	{discordgo.PermissionManageChannels, "Manage Channels"},
	{discordgo.PermissionManageMessages, "Manage Messages"},
	{discordgo.PermissionManageWebhooks, "Manage Webhooks"},
	{discordgo.PermissionManageThreads, "Manage Threads"},
	{discordgo.PermissionKickMembers, "Kick Members"},
	{discordgo.PermissionBanMembers, "Ban Members"},
	{discordgo.PermissionMentionEveryone, "Mention Everyone"},
}

// rights are what somebody with these roles may do in a channel. The library
// counts them; a new permission, which it does not know, is among everything.
func (g *guild) rights(ch *discordgo.Channel, user string, roles []string) (int64, error) {
	state := discordgo.NewState()
	alone := *g.Guild // whoever owns it is somebody else
	alone.Channels, alone.Members, alone.Threads = nil, nil, nil
	room := *ch
	room.GuildID = g.ID
	err := errors.Join(
		state.GuildAdd(&alone), state.ChannelAdd(&room),
		state.MemberAdd(&discordgo.Member{GuildID: g.ID, User: &discordgo.User{ID: user}, Roles: roles}),
	)
	if err != nil {
		return 0, err
	}
	may, err := state.UserChannelPermissions(user, ch.ID)
	if may&administrator != 0 {
		may = -1
	}
	return may, err
}

// guild finds a server, once.
func (e *examiner) guild(id string) (*guild, error) {
	if g := e.guilds[id]; g != nil {
		return g, nil
	}
	g := &guild{Guild: &discordgo.Guild{}}
	var me struct {
		Roles []string `json:"roles"`
	}
	if err := errors.Join(e.get("guilds/"+id, g.Guild), e.get("guilds/"+id+"/members/"+e.self, &me)); err != nil {
		return nil, err
	}
	g.own = me.Roles
	e.guilds[id] = g
	return g, nil
}

// server looks at one server, and each channel that matters in it.
func (e *examiner) server(room Rooms) {
	g, err := e.guild(room.Server)
	var channels []*discordgo.Channel
	if err == nil {
		err = e.get("guilds/"+room.Server+"/channels", &channels)
	}
	if err != nil {
		e.report.Wrong("try again", "the server %s can't be looked at: %v", room.Server, err)
		return
	}
	e.excess(g)
	e.places(g, channels, room)
	for _, id := range room.Watch {
		e.watched(g, channels, id)
	}
	for _, id := range room.Staff {
		e.staff(id, room.Clinic)
	}
}

// excess looks at what the bot's own roles allow beyond what it needs.
func (e *examiner) excess(g *guild) {
	var names []string
	for _, x := range tooMuch {
		if slices.ContainsFunc(g.Roles, func(r *discordgo.Role) bool { return slices.Contains(g.own, r.ID) && r.Permissions&x.bit != 0 }) {
			names = append(names, x.name)
		}
	}
	if names != nil {
		e.report.Wrong("take them from the bot's roles (Server Settings, Roles): a stolen token could do harm with them", "in %q the bot may do more than it needs: %s", g.Name, strings.Join(names, ", "))
		return
	}
	e.report.Well("in %q the bot may do no more than it should", g.Name)
}

// places looks where the button can be pinned, and a private thread begun.
func (e *examiner) places(g *guild, channels []*discordgo.Channel, room Rooms) {
	var button, threads []string
	for _, ch := range channels {
		if ch.Type != discordgo.ChannelTypeGuildText || slices.Contains(room.Staff, ch.ID) {
			continue
		}
		may, err := g.rights(ch, e.self, g.own)
		if err == nil && may&needed == needed {
			button = append(button, "#"+ch.Name)
			if may&forThreads == forThreads {
				threads = append(threads, "#"+ch.Name)
			}
		}
	}
	slices.Sort(button)
	if button == nil {
		e.report.Wrong("allow the bot View Channel, Send Messages and Pin Messages in the channel for it", "in %q there is no channel in which the bot may pin its button", g.Name)
		return
	}
	e.report.Well("in %q the button may be pinned in %s", g.Name, strings.Join(button, ", "))
	if threads == nil {
		e.report.Look("allow the bot Create Private Threads, Send Messages in Threads, Read Message History and Attach Files there, or leave it so", "in %q nobody who takes no direct messages can have a private thread", g.Name)
	}
}

func (e *examiner) watched(g *guild, channels []*discordgo.Channel, id string) {
	i := slices.IndexFunc(channels, func(ch *discordgo.Channel) bool { return ch.ID == id })
	if i < 0 {
		e.report.Wrong("correct the ID under watch", "the watched channel %s is not in %q", id, g.Name)
		return
	}
	may, err := g.rights(channels[i], e.self, g.own)
	if err != nil || may&(view|send) != view|send {
		e.report.Wrong("allow the bot View Channel and Send Messages there, or do not watch it", "the bot may not read and write in the watched channel #%s", channels[i].Name)
		return
	}
	e.report.Well("the watched channel #%s may be read", channels[i].Name)
}

// staff looks whether a staff channel is the clinic's alone.
func (e *examiner) staff(id string, clinic []string) {
	ch := &discordgo.Channel{}
	err := e.get("channels/"+id, ch)
	var g *guild
	if err == nil {
		g, err = e.guild(ch.GuildID)
	}
	if r, refused := errors.AsType[*refusal](err); refused && (r.status == http.StatusForbidden || r.status == http.StatusNotFound) {
		e.report.Wrong("correct the ID under staff, or let the bot's own role see the channel", "the staff channel %s is not there, or hidden from the bot", id)
		return
	}
	if err != nil {
		e.report.Wrong("try again", "the staff channel %s can't be looked at: %v", id, err)
		return
	}
	if ch.Type != discordgo.ChannelTypeGuildText {
		e.report.Wrong("name a text channel under staff", "the staff channel #%s is no text channel", ch.Name)
		return
	}
	if may, err := g.rights(ch, e.self, g.own); err != nil || may&(view|send) != view|send {
		e.report.Wrong("allow the bot's own role View Channel and Send Messages there", "the bot may not write in the staff channel #%s", ch.Name)
	}
	if e.strangers(g, ch, clinic) {
		e.report.Well("the staff channel #%s is seen by the clinic alone, and by the owner of %q", ch.Name, g.Name)
	}
}

// nobody is an account that has no overwrite and owns nothing.
const nobody = "0"

// strangers says who sees a staff channel without being of the clinic, and
// which of the clinic's roles does not. One role alone is looked at at a time:
// what lets several together see a channel lets one of them see it.
func (e *examiner) strangers(g *guild, ch *discordgo.Channel, clinic []string) bool {
	sees := func(roles ...string) bool {
		may, err := g.rights(ch, nobody, roles)
		return err != nil || may&view != 0 // what can't be told counts as seen
	}
	if sees() {
		e.report.Wrong("edit the channel: for @everyone, deny View Channel", "everybody in %q sees the staff channel #%s", g.Name, ch.Name)
		return false
	}
	alone := true
	for _, id := range clinic {
		i := slices.IndexFunc(g.Roles, func(r *discordgo.Role) bool { return r.ID == id })
		switch {
		case i < 0:
			e.report.Wrong("correct the ID under clinic", "there is no role %s in %q", id, g.Name)
			alone = false
		case !sees(id):
			e.report.Wrong("edit the channel: for that role, allow View Channel", "the clinic's role %q does not see the staff channel #%s", g.Roles[i].Name, ch.Name)
			alone = false
		}
	}
	var names []string
	for _, r := range g.Roles {
		if r.ID != g.ID && !slices.Contains(clinic, r.ID) && !slices.Contains(g.own, r.ID) && sees(r.ID) {
			name := r.Name
			if r.Permissions&administrator != 0 {
				name += " (administrators see everything)"
			}
			names = append(names, name)
		}
	}
	if names != nil {
		e.report.Wrong("deny it to them, name them under clinic if they are the clinic's, or put the staff channel into a server of the clinic's own", "the staff channel #%s is seen by more than the clinic: %s", ch.Name, strings.Join(names, ", "))
		alone = false
	}
	singles := slices.ContainsFunc(ch.PermissionOverwrites, func(o *discordgo.PermissionOverwrite) bool {
		return o.Type == discordgo.PermissionOverwriteTypeMember && o.ID != e.self && o.Allow&view != 0
	})
	if singles {
		e.report.Wrong("take single members off the channel, and give them the clinic's role", "single members are let into the staff channel #%s", ch.Name)
		alone = false
	}
	return alone
}
