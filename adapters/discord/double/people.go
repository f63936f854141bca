package double

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"time"
)

type channel struct {
	id, server string
	name       string
	over       []Overwrite
	kind       int // 0 a server's, 1 direct, 12 a private thread
	members    map[string]bool
	messages   []*Message
	nonces     map[string]*Message
	forbidden  bool
}

// A Person is an account that presses, writes and reads.
type Person struct {
	ID, Locale string
	p          *Platform
	Nick       string   // as the server shows them
	Roles      []string // of the server
	closed     bool     // takes no direct messages
	left       bool     // shares no server with the bot any more
}

// Join makes an account.
func (p *Platform) Join(locale string) *Person {
	p.mu.Lock()
	defer p.mu.Unlock()
	who := &Person{ID: p.id(), Locale: locale, p: p}
	p.people[who.ID] = who
	return who
}

// Channel makes a channel of a server.
func (p *Platform) Channel(server string, forbidden bool) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	id := p.id()
	p.channels[id] = &channel{id: id, server: server, members: map[string]bool{}, nonces: map[string]*Message{}, forbidden: forbidden}
	return id
}

// Shut lets no direct message in; Leave leaves every server.
func (w *Person) Shut(yes bool) { w.p.mu.Lock(); w.closed = yes; w.p.mu.Unlock() }

// Leave leaves every server.
func (w *Person) Leave() { w.p.mu.Lock(); w.left = true; w.p.mu.Unlock() }

// Direct are the messages of the direct message, the oldest first.
func (w *Person) Direct() []Message {
	w.p.mu.Lock()
	ch := w.p.direct[w.ID]
	w.p.mu.Unlock()
	return w.p.Messages(ch)
}

// Messages are those of a channel.
func (p *Platform) Messages(id string) []Message {
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []Message
	if ch := p.channels[id]; ch != nil {
		for _, m := range ch.messages {
			out = append(out, *m)
		}
	}
	return out
}

// Write types into the direct message.
func (w *Person) Write(text string) string {
	w.p.mu.Lock()
	ch := w.p.directOf(w.ID)
	w.p.mu.Unlock()
	return w.WriteIn(ch, text)
}

// WriteIn types into a channel.
func (w *Person) WriteIn(id, text string) string {
	p := w.p
	p.mu.Lock()
	defer p.mu.Unlock()
	ch := p.channels[id]
	m := &Message{ID: p.id(), Channel: id, Server: ch.server, Author: w.ID, Content: text, At: p.Now()}
	ch.messages = append(ch.messages, m)
	needs := 1 << 12
	if ch.kind != 1 {
		needs = 1 << 9
	}
	p.receipt(Receipt{Saw: Wrote, Who: w.ID, ID: m.ID, Heard: p.dispatch("MESSAGE_CREATE", needs, m.json())})
	p.changed.Broadcast()
	return m.ID
}

// An act is one interaction.
type act struct {
	id, token string
	who       *Person
	channel   string
	born      time.Time
	message   *Message // whose button was pressed
	kind      int      // of the first answer; 0 while there is none
	original  *Message
	modal     json.RawMessage
}

// Act is an interaction as its person sees it.
type Act struct {
	p  *Platform
	id string
	a  *act
}

// Failed reports whether the person reads "this interaction failed".
func (a Act) Failed() bool {
	a.p.mu.Lock()
	defer a.p.mu.Unlock()
	return a.a == nil || a.a.kind == 0
}

func (w *Person) act(kind int, channelID string, m *Message, data any) Act {
	p := w.p
	p.mu.Lock()
	defer p.mu.Unlock()
	id := p.id()
	a := &act{id: id, token: "token-" + id + "-of-the-stand-in", who: w, channel: channelID, born: p.Now(), message: m}
	ev := map[string]any{
		"id": id, "application_id": App, "token": a.token, "type": kind, "channel_id": channelID, "locale": w.Locale, "data": data, "version": 1,
	}
	user := map[string]any{"id": w.ID, "username": "person"}
	if ch := p.channels[channelID]; ch.kind == 1 {
		ev["user"] = user
	} else {
		ev["guild_id"], ev["member"] = ch.server, map[string]any{"user": user, "permissions": "32", "nick": w.Nick, "roles": w.Roles}
	}
	if m != nil {
		ev["message"] = m.json()
	}
	if p.gate.live == nil || p.gate.live.deaf {
		p.receipt(Receipt{Saw: Pressed, Who: w.ID, ID: id})
		return Act{p, id, nil} // nobody listens: it fails before their eyes
	}
	p.acts[a.token] = a
	p.receipt(Receipt{Saw: Pressed, Who: w.ID, ID: id, Heard: true})
	p.dispatch("INTERACTION_CREATE", 0, ev)
	return Act{p, id, a}
}

// Command uses a command in a channel.
func (w *Person) Command(channelID, name string, options map[string]string) Act {
	var list []any
	for k, v := range options {
		list = append(list, map[string]any{"name": k, "type": 3, "value": v})
	}
	return w.act(2, channelID, nil, map[string]any{"name": name, "type": 1, "options": list})
}

// Press presses a button of a message, or chooses in its menu.
func (w *Person) Press(m Message, id string, values ...string) Act {
	data := map[string]any{"custom_id": id, "component_type": 2}
	if values != nil {
		data["component_type"], data["values"] = 3, values
	}
	return w.act(3, m.Channel, &m, data)
}

// HandIn hands in a field to type in.
func (w *Person) HandIn(m Message, id, text string) Act {
	return w.act(5, m.Channel, &m, map[string]any{"custom_id": id, "components": []any{
		map[string]any{"type": 18, "id": 1, "component": map[string]any{"type": 4, "id": 2, "custom_id": "words", "value": text}},
	}})
}

// Seen are the messages that only this person sees, the oldest first.
func (w *Person) Seen() []Message {
	w.p.mu.Lock()
	defer w.p.mu.Unlock()
	var out []Message
	for _, ch := range w.p.channels {
		for _, m := range ch.messages {
			if m.For == w.ID {
				out = append(out, *m)
			}
		}
	}
	slices.SortFunc(out, func(a, b Message) int { return map[bool]int{true: -1, false: 1}[a.ID < b.ID] })
	return out
}

// find is the interaction that a webhook call is about, if it may be answered.
func (p *Platform) find(token string) (*act, *no) {
	a := p.acts[token]
	switch {
	case a == nil:
		return nil, &no{http.StatusNotFound, 10015, "Unknown Webhook"}
	case p.Now().Sub(a.born) > 15*time.Minute:
		return nil, &no{http.StatusUnauthorized, 50027, "Invalid Webhook Token"}
	case a.kind == 0:
		return nil, &no{http.StatusNotFound, 10015, "Unknown Webhook"}
	}
	return a, nil
}

// callback is the first answer: one, within three seconds.
func (p *Platform) callback(r *http.Request, body []byte) (any, *no) {
	var in struct {
		Type int             `json:"type"`
		Data json.RawMessage `json:"data"`
	}
	if json.Unmarshal(body, &in) != nil || !slices.Contains([]int{4, 5, 6, 7, 9}, in.Type) {
		p.breach("callback %s", body)
		return nil, &no{http.StatusBadRequest, 50035, "Invalid Form Body"}
	}
	if err := checkCallback(in.Type, in.Data); err != nil {
		p.breach("callback: %v: %s", err, body)
		return nil, &no{http.StatusBadRequest, 50035, err.Error()}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	a := p.acts[r.PathValue("token")]
	if a == nil || a.id != r.PathValue("act") || p.Now().Sub(a.born) > 3*time.Second {
		return nil, &no{http.StatusNotFound, 10062, "Unknown interaction"}
	}
	if a.kind != 0 {
		return nil, &no{http.StatusBadRequest, 40060, "Interaction has already been acknowledged"}
	}
	if (in.Type == 6 || in.Type == 7) && a.message == nil {
		return nil, &no{http.StatusBadRequest, 50035, "there is no message to change"}
	}
	a.kind = in.Type
	p.receipt(Receipt{Saw: Answered, Who: a.who.ID, ID: a.id})
	p.changed.Broadcast()
	switch in.Type {
	case 6, 7:
		a.original = p.held(a)
	case 9:
		a.modal = in.Data
	default:
		var d struct {
			Flags int `json:"flags"`
		}
		_ = json.Unmarshal(in.Data, &d)
		a.original = &Message{ID: p.id(), Channel: a.channel, Author: Self, Flags: d.Flags, Waiting: true, At: p.Now()}
		if d.Flags&64 != 0 {
			a.original.For = a.who.ID
		}
		ch := p.channels[a.channel]
		ch.messages = append(ch.messages, a.original)
	}
	return nil, nil
}

// held is the message itself whose button was pressed. The caller holds mu.
func (p *Platform) held(a *act) *Message {
	for _, m := range p.channels[a.channel].messages {
		if m.ID == a.message.ID {
			return m
		}
	}
	return nil
}

func (p *Platform) followUp(r *http.Request, body []byte) (any, *no) {
	m, err := checkMessage(body, false)
	if err != nil {
		p.breach("follow-up: %v: %s", err, body)
		return nil, &no{http.StatusBadRequest, 50035, err.Error()}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	a, refused := p.find(r.PathValue("token"))
	if refused != nil {
		return nil, refused
	}
	m.ID, m.Channel, m.Author, m.At = p.id(), a.channel, Self, p.Now()
	if m.Flags&64 != 0 {
		m.For = a.who.ID
	}
	ch := p.channels[a.channel]
	ch.messages = append(ch.messages, m)
	p.brought(Brought, ch, m)
	p.changed.Broadcast()
	return m.json(), nil
}

func (p *Platform) editReply(r *http.Request, body []byte) (any, *no) {
	next, err := checkMessage(body, true)
	if err != nil {
		p.breach("edit of a reply: %v: %s", err, body)
		return nil, &no{http.StatusBadRequest, 50035, err.Error()}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	a, refused := p.find(r.PathValue("token"))
	if refused != nil {
		return nil, refused
	}
	if r.PathValue("message") != "@original" || a.original == nil {
		return nil, &no{http.StatusNotFound, 10008, "Unknown Message"}
	}
	filled := a.original.Waiting
	a.original.Waiting = false
	a.original.take(next)
	if filled {
		p.brought(Brought, p.channels[a.channel], a.original)
	}
	p.changed.Broadcast()
	return a.original.json(), nil
}

func (p *Platform) deleteReply(r *http.Request, _ []byte) (any, *no) {
	p.mu.Lock()
	defer p.mu.Unlock()
	a, refused := p.find(r.PathValue("token"))
	if refused != nil {
		return nil, refused
	}
	if a.original == nil {
		return nil, &no{http.StatusNotFound, 10008, "Unknown Message"}
	}
	ch := p.channels[a.channel]
	ch.messages = slices.DeleteFunc(ch.messages, func(m *Message) bool { return m == a.original })
	a.original = nil
	return nil, nil
}

// String names a person in a test's output.
func (w *Person) String() string { return fmt.Sprintf("person %s", w.ID) }
