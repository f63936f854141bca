package double

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"slices"
	"strings"
	"time"
)

// A refused call: status, Discord's own code, and words.
type no struct {
	status, code int
	text         string
}

func (p *Platform) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("/gw/", p.listen)
	v := "/api/v9/"
	mux.HandleFunc("GET "+v+"gateway", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, http.StatusOK, map[string]string{"url": "ws://" + p.addr + "/gw"})
	})
	for pattern, do := range map[string]func(r *http.Request, body []byte) (any, *no){
		"GET applications/@me":                             p.application,
		"PUT applications/{app}/commands":                  p.register,
		"GET applications/{app}/commands":                  p.registered,
		"GET gateway/bot":                                  p.gatewayBot,
		"GET users/@me":                                    p.self,
		"GET users/@me/guilds":                             p.ownServers,
		"GET guilds/{server}":                              p.oneServer,
		"GET guilds/{server}/channels":                     p.serverChannels,
		"GET guilds/{server}/members/{user}":               p.serverMember,
		"GET channels/{channel}":                           p.room,
		"POST users/@me/channels":                          p.openDirect,
		"POST channels/{channel}/messages":                 p.post,
		"GET channels/{channel}/messages":                  p.history,
		"PATCH channels/{channel}/messages/{message}":      p.edit,
		"PUT channels/{channel}/messages/pins/{message}":   p.pin,
		"POST channels/{channel}/threads":                  p.thread,
		"PUT channels/{channel}/thread-members/{user}":     p.member,
		"POST interactions/{act}/{token}/callback":         p.callback,
		"POST webhooks/{app}/{token}":                      p.followUp,
		"PATCH webhooks/{app}/{token}/messages/{message}":  p.editReply,
		"DELETE webhooks/{app}/{token}/messages/{message}": p.deleteReply,
	} {
		method, path, _ := strings.Cut(pattern, " ")
		mux.HandleFunc(method+" "+v+path, p.call(do))
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		p.breach("no such call: %s %s", r.Method, r.URL.Path)
		http.NotFound(w, r)
	})
	return mux
}

func answer(w http.ResponseWriter, status int, v any) {
	if v == nil {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v)
}

// call reads the body, plays faults, does the call and keeps the receipt.
func (p *Platform) call(do func(r *http.Request, body []byte) (any, *no)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		body, err := payload(r)
		if err != nil {
			p.breach("%s %s: %v", r.Method, r.URL.Path, err)
			answer(w, http.StatusBadRequest, map[string]any{"code": 50109, "message": "the request body contains invalid JSON"})
			return
		}
		path := strings.TrimPrefix(r.URL.Path, "/api/v9/")
		w.Header().Set("Date", p.Now().Add(p.ahead()).UTC().Format(http.TimeFormat))
		receipt := Sent{Method: r.Method, Path: path, Body: body, Status: http.StatusOK}
		f := p.fault(path)
		if f != nil {
			time.Sleep(f.Wait)
		}
		if f != nil && !f.After && (f.Status != 0 || f.Wait == 0) {
			receipt.Status = f.Status
			p.keep(receipt)
			f.play(w)
			return
		}
		var out any
		var refused *no
		if !p.takes(r.Header.Get("Authorization")) {
			refused = &no{http.StatusUnauthorized, 0, "401: Unauthorized"}
		} else {
			out, refused = do(r, body)
		}
		if refused != nil {
			receipt.Status = refused.status
		}
		p.keep(receipt)
		switch {
		case f != nil && f.After:
			f.play(w)
		case refused != nil:
			answer(w, refused.status, map[string]any{"code": refused.code, "message": refused.text})
		default:
			answer(w, http.StatusOK, out)
		}
	}
}

func (p *Platform) keep(s Sent) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.sent = append(p.sent, s)
	p.changed.Broadcast()
}

func (p *Platform) fault(path string) *Fault {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i, f := range p.faults {
		if strings.HasPrefix(path, f.Match) {
			if f.Times--; f.Times <= 0 {
				p.faults = slices.Delete(p.faults, i, i+1)
			}
			return f
		}
	}
	return nil
}

func (f *Fault) play(w http.ResponseWriter) {
	for k, v := range f.Header {
		w.Header()[k] = v
	}
	if f.Status == 0 {
		if c, _, err := http.NewResponseController(w).Hijack(); err == nil {
			_ = c.Close()
		}
		return
	}
	w.WriteHeader(f.Status)
	_, _ = io.WriteString(w, f.Body)
}

// payload reads the JSON of a call, also beside files.
func payload(r *http.Request) ([]byte, error) {
	body, err := io.ReadAll(io.LimitReader(r.Body, 25<<20))
	if err != nil || len(body) == 0 {
		return nil, err
	}
	kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return nil, err
	}
	switch kind {
	case "application/json":
		if !json.Valid(body) {
			return nil, fmt.Errorf("no JSON: %.80s", body)
		}
		return body, nil
	case "multipart/form-data":
		form, err := multipart.NewReader(bytes.NewReader(body), params["boundary"]).ReadForm(25 << 20)
		if err != nil {
			return nil, err
		}
		var files struct {
			Attachments []struct{ ID string } `json:"attachments"`
		}
		data := []byte(form.Value["payload_json"][0])
		if err := json.Unmarshal(data, &files); err != nil || len(files.Attachments) != len(form.File) {
			return nil, fmt.Errorf("%d files for %d attachments", len(form.File), len(files.Attachments))
		}
		return data, nil
	}
	return nil, fmt.Errorf("content type %q", kind)
}

func (p *Platform) application(*http.Request, []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return map[string]any{"id": App, "name": "Turnstone", "flags": p.flags(), "bot_public": p.Public}, nil
}

func (p *Platform) register(r *http.Request, body []byte) (any, *no) {
	if r.PathValue("app") != App {
		return nil, &no{http.StatusNotFound, 10002, "Unknown Application"}
	}
	if err := checkCommands(body); err != nil {
		p.breach("commands: %v", err)
		return nil, &no{http.StatusBadRequest, 50035, err.Error()}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.commands = body
	return json.RawMessage(body), nil
}

func (p *Platform) openDirect(_ *http.Request, body []byte) (any, *no) {
	var in struct {
		Recipient string `json:"recipient_id"`
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if json.Unmarshal(body, &in) != nil || p.people[in.Recipient] == nil {
		return nil, &no{http.StatusBadRequest, 50033, "Invalid Recipient(s)"}
	}
	return map[string]any{"id": p.directOf(in.Recipient), "type": 1}, nil
}

// directOf is the direct message with an account. The caller holds mu.
func (p *Platform) directOf(user string) string {
	ch := p.direct[user]
	if ch == "" {
		ch = p.id()
		p.direct[user] = ch
		p.channels[ch] = &channel{id: ch, kind: 1, members: map[string]bool{user: true}, nonces: map[string]*Message{}}
	}
	return ch
}

// may says why the bot may not write to a channel. The caller holds mu.
func (p *Platform) may(ch *channel, need int64) *no {
	if ch == nil {
		return &no{http.StatusNotFound, 10003, "Unknown Channel"}
	}
	for user := range ch.members {
		switch who := p.people[user]; {
		case ch.kind != 1:
		case who.left:
			return &no{http.StatusForbidden, 50278, "Cannot send messages to this user due to having no mutual guilds"}
		case who.closed:
			return &no{http.StatusForbidden, 50007, "Cannot send messages to this user"}
		}
	}
	if ch.forbidden {
		return &no{http.StatusForbidden, 50013, "Missing Permissions"}
	}
	return p.lacks(ch, need)
}

func (p *Platform) post(r *http.Request, body []byte) (any, *no) {
	m, err := checkMessage(body, false)
	if err != nil {
		p.breach("message: %v: %s", err, body)
		return nil, &no{http.StatusBadRequest, 50035, err.Error()}
	}
	if m.Nonce == "" || !m.Enforce {
		p.breach("a message without an enforced nonce")
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[r.PathValue("channel")]
	if refused := p.may(ch, needs(ch, body)); refused != nil {
		return nil, refused
	}
	if was := ch.nonces[m.Nonce]; was != nil {
		was.Repeats++
		p.brought(Repeated, ch, was)
		return was.json(), nil
	}
	if m.About != "" && !slices.ContainsFunc(ch.messages, func(o *Message) bool { return o.ID == m.About }) {
		return nil, &no{http.StatusBadRequest, 50035, "MESSAGE_REFERENCE_UNKNOWN_MESSAGE"}
	}
	m.ID, m.Channel, m.Author, m.At = p.id(), ch.id, Self, p.Now()
	ch.nonces[m.Nonce] = m
	if p.swallow > 0 && ch.kind != 0 {
		p.swallow--
		return m.json(), nil
	}
	ch.messages = append(ch.messages, m)
	p.brought(Brought, ch, m)
	p.changed.Broadcast()
	return m.json(), nil
}

func (p *Platform) history(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[r.PathValue("channel")]
	if ch == nil {
		return nil, &no{http.StatusNotFound, 10003, "Unknown Channel"}
	}
	after, limit := r.URL.Query().Get("after"), 50
	if n, err := fmt.Sscanf(r.URL.Query().Get("limit"), "%d", &limit); err == nil && (n != 1 || limit < 1 || limit > 100) {
		return nil, &no{http.StatusBadRequest, 50035, "limit is 1 to 100"}
	}
	out := []any{}
	switch refused := p.lacks(ch, History); {
	case refused != nil && refused.code == 50001:
		return nil, refused
	case refused != nil:
		return out, nil // without the right to read the history there is none
	}
	for _, m := range ch.messages {
		if m.ID > after && len(out) < limit && m.Flags&64 == 0 {
			out = append(out, m.json())
		}
	}
	slices.Reverse(out)
	return out, nil
}

func (p *Platform) edit(r *http.Request, body []byte) (any, *no) {
	return p.change(r.PathValue("channel"), r.PathValue("message"), body)
}

func (p *Platform) change(channelID, messageID string, body []byte) (any, *no) {
	next, err := checkMessage(body, true)
	if err != nil {
		p.breach("edit: %v: %s", err, body)
		return nil, &no{http.StatusBadRequest, 50035, err.Error()}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[channelID]
	if ch == nil {
		return nil, &no{http.StatusNotFound, 10003, "Unknown Channel"}
	}
	i := slices.IndexFunc(ch.messages, func(m *Message) bool { return m.ID == messageID })
	if i < 0 {
		return nil, &no{http.StatusNotFound, 10008, "Unknown Message"}
	}
	m := ch.messages[i]
	if m.Author != Self {
		return nil, &no{http.StatusForbidden, 50005, "Cannot edit a message authored by another user"}
	}
	m.take(next)
	p.changed.Broadcast()
	return m.json(), nil
}

func (p *Platform) pin(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[r.PathValue("channel")]
	if refused := p.may(ch, Pin); refused != nil {
		return nil, refused
	}
	for _, m := range ch.messages {
		if m.ID == r.PathValue("message") {
			m.Pinned = true
			return nil, nil
		}
	}
	return nil, &no{http.StatusNotFound, 10008, "Unknown Message"}
}

func (p *Platform) thread(r *http.Request, body []byte) (any, *no) {
	var in struct {
		Name string `json:"name"`
		Type int    `json:"type"`
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	parent := p.channels[r.PathValue("channel")]
	if refused := p.may(parent, StartThread); refused != nil {
		return nil, refused
	}
	if json.Unmarshal(body, &in) != nil || in.Type != 12 || in.Name == "" || len(in.Name) > 100 || parent.kind != 0 {
		return nil, &no{http.StatusBadRequest, 50035, "Invalid Form Body"}
	}
	id := p.id()
	p.channels[id] = &channel{id: id, kind: 12, server: parent.server, over: parent.over, members: map[string]bool{}, nonces: map[string]*Message{}}
	return map[string]any{"id": id, "type": 12}, nil
}

func (p *Platform) member(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[r.PathValue("channel")]
	if ch == nil || ch.kind != 12 {
		return nil, &no{http.StatusNotFound, 10003, "Unknown Channel"}
	}
	ch.members[r.PathValue("user")] = true
	return nil, nil
}
