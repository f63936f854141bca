package double

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Permissions (the platform's documentation, "Permissions").
const (
	Administrator = 1 << 3
	View          = 1 << 10
	Send          = 1 << 11
	Attach        = 1 << 15
	History       = 1 << 16
	StartThread   = 1 << 36
	SendInThreads = 1 << 38
	Pin           = 1 << 51
)

// A Role of a server. That of everybody has the server's own ID.
type Role struct {
	ID, Name string
	May      int64
}

// A Server has roles; those in Own are the bot's. A server that was never
// Founded lets the bot do everything in every channel that is not forbidden.
type Server struct {
	ID, Name, Owner string
	Roles           []Role
	Own             []string
}

// An Overwrite changes permissions in one channel, for a role or a member.
type Overwrite struct {
	ID          string
	Member      bool
	Allow, Deny int64
}

// Found puts a server there, and the bot into it. Found again, it is another.
func (p *Platform) Found(s Server) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.servers[s.ID] = &s
}

// Leave puts the bot out of a server.
func (p *Platform) Leave(server string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.servers, server)
}

// Room makes a text channel with an ID of its own.
func (p *Platform) Room(server, id, name string, over ...Overwrite) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.channels[id] = &channel{id: id, server: server, name: name, over: over, members: map[string]bool{}, nonces: map[string]*Message{}}
}

// lacks says what the bot may not do in a channel. It counts as the
// documentation does ("Permission Overwrites"): everybody's role, the roles,
// then the channel's for everybody, for the roles together, for the member.
// The caller holds mu.
func (p *Platform) lacks(ch *channel, need int64) *no {
	s := p.servers[ch.server]
	if s == nil {
		return nil
	}
	var may int64
	mine := append([]string{s.ID}, s.Own...)
	for _, r := range s.Roles {
		if slices.Contains(mine, r.ID) {
			may |= r.May
		}
	}
	if may&Administrator != 0 || s.Owner == Self {
		return nil
	}
	var roles, member Overwrite
	for _, o := range ch.over {
		switch {
		case o.ID == s.ID:
			may = may&^o.Deny | o.Allow
		case !o.Member && slices.Contains(s.Own, o.ID):
			roles.Allow, roles.Deny = roles.Allow|o.Allow, roles.Deny|o.Deny
		case o.Member && o.ID == Self:
			member = o
		}
	}
	may = may&^roles.Deny | roles.Allow
	may = may&^member.Deny | member.Allow
	switch {
	case may&View == 0:
		return &no{http.StatusForbidden, 50001, "Missing Access"}
	case may&need != need:
		return &no{http.StatusForbidden, 50013, "Missing Permissions"}
	}
	return nil
}

func (s *Server) json() map[string]any {
	roles := []any{}
	for i, r := range s.Roles {
		roles = append(roles, map[string]any{"id": r.ID, "name": r.Name, "permissions": strconv.FormatInt(r.May, 10), "position": i, "color": 0, "hoist": false, "managed": slices.Contains(s.Own, r.ID), "mentionable": false})
	}
	return map[string]any{"id": s.ID, "name": s.Name, "owner_id": s.Owner, "roles": roles, "emojis": []any{}, "features": []any{}}
}

func (ch *channel) json() map[string]any {
	over := []any{}
	for _, o := range ch.over {
		kind := 0
		if o.Member {
			kind = 1
		}
		over = append(over, map[string]any{"id": o.ID, "type": kind, "allow": strconv.FormatInt(o.Allow, 10), "deny": strconv.FormatInt(o.Deny, 10)})
	}
	return map[string]any{"id": ch.id, "type": ch.kind, "guild_id": ch.server, "name": ch.name, "position": 0, "permission_overwrites": over}
}

func (p *Platform) self(*http.Request, []byte) (any, *no) {
	return map[string]any{"id": Self, "username": "turnstone", "discriminator": "0001", "bot": true}, nil
}

func (p *Platform) gatewayBot(*http.Request, []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return map[string]any{"url": "ws://" + p.addr + "/gw", "shards": 1, "session_start_limit": map[string]any{
		"total": 1000, "remaining": 1000 - p.identify, "reset_after": 14400000, "max_concurrency": 1,
	}}, nil
}

func (p *Platform) registered(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if r.PathValue("app") != App {
		return nil, &no{http.StatusNotFound, 10002, "Unknown Application"}
	}
	if p.commands == nil {
		return []any{}, nil
	}
	return p.commands, nil
}

func (p *Platform) ownServers(*http.Request, []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	list := []any{}
	for _, s := range p.servers {
		list = append(list, map[string]any{"id": s.ID, "name": s.Name, "owner": false, "permissions": "0", "features": []any{}})
	}
	return list, nil
}

// within finds the server of a call. The caller holds mu.
func (p *Platform) within(r *http.Request) (*Server, *no) {
	s := p.servers[r.PathValue("server")]
	if s == nil {
		return nil, &no{http.StatusForbidden, 50001, "Missing Access"}
	}
	return s, nil
}

func (p *Platform) oneServer(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	s, refused := p.within(r)
	if refused != nil {
		return nil, refused
	}
	return s.json(), nil
}

func (p *Platform) serverChannels(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	s, refused := p.within(r)
	if refused != nil {
		return nil, refused
	}
	list := []any{}
	for _, ch := range p.channels {
		if ch.server == s.ID && ch.kind == 0 {
			list = append(list, ch.json())
		}
	}
	return list, nil
}

func (p *Platform) serverMember(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	s, refused := p.within(r)
	switch {
	case refused != nil:
		return nil, refused
	case r.PathValue("user") != Self:
		return nil, &no{http.StatusNotFound, 10007, "Unknown Member"}
	}
	return map[string]any{"user": map[string]any{"id": Self}, "roles": append([]string{}, s.Own...), "joined_at": p.Now().Format(time.RFC3339), "deaf": false, "mute": false}, nil
}

func (p *Platform) room(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[r.PathValue("channel")]
	if ch == nil {
		return nil, &no{http.StatusNotFound, 10003, "Unknown Channel"}
	}
	if ch.forbidden {
		return nil, &no{http.StatusForbidden, 50001, "Missing Access"}
	}
	if refused := p.lacks(ch, View); refused != nil {
		return nil, refused
	}
	return ch.json(), nil
}

// flags are those of the application: an intent that it may ask for has one
// ("Application Flags").
func (p *Platform) flags() int {
	n := 0
	for bit, flag := range map[int]int{1 << 8: 1 << 13, 1 << 1: 1 << 15, 1 << 15: 1 << 19} {
		if p.Allowed&bit != 0 {
			n |= flag
		}
	}
	return n
}

// needs is what a message takes in a channel.
func needs(ch *channel, body json.RawMessage) int64 {
	need := int64(Send)
	if ch != nil && ch.kind == 12 {
		need = SendInThreads
	}
	if strings.Contains(string(body), `"attachments"`) {
		need |= Attach
	}
	return need
}
