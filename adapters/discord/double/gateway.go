package double

import (
	"encoding/json"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

// Opcodes and close codes of the gateway.
const (
	opDispatch  = 0
	opBeat      = 1
	opIdentify  = 2
	opResume    = 6
	opReconnect = 7
	opInvalid   = 9
	opHello     = 10
	opAck       = 11

	closeAuth    = 4004
	closeRate    = 4008
	closeIntents = 4014
)

// A Mood is how the gateway treats the next connection, or the one that is open.
type Mood int

// The moods.
const (
	Healthy     Mood = iota
	NoHello          // connects, and says nothing
	MovedEarly       // op 7 in place of READY or RESUMED
	NoSession        // op 9 in answer to a resume or identify, once
	NoAcks           // takes heartbeats and is silent: a dead line
	EarlyAck         // op 11 before READY
	CloseBefore      // closes with the code in Code before READY
)

type gateway struct {
	mood     Mood
	times    int // connections that the mood is for
	code     int
	live     *link          // the newest
	links    map[*link]bool // all that are welcome
	sessions map[string]*session
}

// A session may be resumed: what was missed is sent again.
type session struct {
	id     string
	seq    int64
	events []event
	gone   bool
}

type event struct {
	Op   int    `json:"op"`
	Type string `json:"t,omitempty"`
	Seq  int64  `json:"s,omitempty"`
	Data any    `json:"d"`
}

// A link is one connection.
type link struct {
	ws      *websocket.Conn
	mu      sync.Mutex // one writer at a time
	session *session
	intents int
	deaf    bool
	began   time.Time
	frames  int
}

// mostWrite bounds a frame to a bot that is frozen: everybody else waits.
const mostWrite = 2 * time.Second

func (l *link) write(e event) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.ws.SetWriteDeadline(time.Now().Add(mostWrite)); err != nil {
		return err
	}
	return l.ws.WriteJSON(e)
}

func (l *link) close(code int) {
	l.mu.Lock()
	_ = l.ws.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, ""), time.Now().Add(time.Second))
	l.mu.Unlock()
	_ = l.ws.Close()
}

// Be sets the mood of the next connections; code goes with CloseBefore.
func (p *Platform) Be(m Mood, times, code int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.gate.mood, p.gate.times, p.gate.code = m, times, code
}

// Drop cuts the open connection without a word.
func (p *Platform) Drop() {
	if l := p.liveLink(); l != nil {
		_ = l.ws.Close()
	}
}

// CloseWith closes the open connection with a code.
func (p *Platform) CloseWith(code int) {
	if l := p.liveLink(); l != nil {
		l.close(code)
	}
}

// Move asks the bot to connect again.
func (p *Platform) Move() { p.tell(event{Op: opReconnect}) }

// Invalidate tells the bot that its session is gone.
func (p *Platform) Invalidate() {
	p.ForgetSessions()
	p.tell(event{Op: opInvalid, Data: false})
}

// Deafen makes the open connection a dead one: nothing comes any more.
func (p *Platform) Deafen() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.gate.live != nil {
		p.gate.live.deaf = true
	}
}

// ForgetSessions lets no session be resumed.
func (p *Platform) ForgetSessions() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, s := range p.gate.sessions {
		s.gone = true
	}
}

// Connected reports whether a bot listens.
func (p *Platform) Connected() bool { return p.liveLink() != nil }

func (p *Platform) liveLink() *link {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.gate.live
}

func (p *Platform) tell(e event) {
	if l := p.liveLink(); l != nil {
		_ = l.write(e)
	}
}

// dispatch sends an event to the session, now or when it is resumed. It
// reports whether somebody listens. The caller holds mu.
func (p *Platform) dispatch(kind string, needs int, data any) bool {
	l := p.gate.live
	if l != nil && needs != 0 && l.intents&needs == 0 {
		return false
	}
	for _, s := range p.gate.sessions {
		if s.gone {
			continue
		}
		s.seq++
		e := event{Op: opDispatch, Type: kind, Seq: s.seq, Data: data}
		s.events = append(s.events, e)
		for o := range p.gate.links {
			if o.session == s && !o.deaf {
				_ = o.write(e)
			}
		}
	}
	return l != nil && !l.deaf
}

var upgrader = websocket.Upgrader{CheckOrigin: func(*http.Request) bool { return true }}

// listen is one connection to the gateway.
func (p *Platform) listen(w http.ResponseWriter, r *http.Request) {
	if v := r.URL.Query().Get("v"); v != "9" && v != "10" {
		p.breach("gateway version %q", v)
	}
	ws, err := upgrader.Upgrade(w, r, nil)
	if err != nil {
		return
	}
	l := &link{ws: ws, began: time.Now()}
	defer func() {
		p.mu.Lock()
		delete(p.gate.links, l)
		if p.gate.live == l {
			p.gate.live = nil
			for o := range p.gate.links {
				if o.session != nil && !o.session.gone {
					p.gate.live = o
				}
			}
		}
		p.changed.Broadcast()
		p.mu.Unlock()
		_ = ws.Close()
	}()
	p.mu.Lock()
	mood, code := p.gate.mood, p.gate.code
	if p.gate.times--; p.gate.times <= 0 {
		p.gate.mood = Healthy
	}
	p.mu.Unlock()
	if mood != NoHello {
		if l.write(event{Op: opHello, Data: map[string]any{"heartbeat_interval": p.Beat.Milliseconds()}}) != nil {
			return
		}
	}
	for {
		_, data, err := ws.ReadMessage()
		if err != nil {
			return
		}
		p.count(l, data)
		var in struct {
			Op   int             `json:"op"`
			Data json.RawMessage `json:"d"`
		}
		if json.Unmarshal(data, &in) != nil {
			l.close(4002)
			return
		}
		switch in.Op {
		case opBeat:
			p.mu.Lock()
			deaf := l.deaf
			p.mu.Unlock()
			if !deaf && mood != NoAcks && l.write(event{Op: opAck}) != nil {
				return
			}
		case opIdentify, opResume:
			if mood != Healthy && mood != NoAcks {
				p.moody(l, mood, code)
				if mood != EarlyAck {
					continue
				}
			}
			if !p.welcome(l, in.Op, in.Data) {
				return
			}
		}
	}
}

// count holds the limits of what a bot may send: 4096 bytes a frame, 120
// frames a minute.
func (p *Platform) count(l *link, data []byte) {
	l.frames++
	if len(data) > 4096 {
		p.breach("a frame of %d bytes", len(data))
		l.close(4002)
	}
	if l.frames > 120 && time.Since(l.began) < time.Minute {
		p.breach("%d frames in a minute", l.frames)
		l.close(closeRate)
	}
}

func (p *Platform) moody(l *link, mood Mood, code int) {
	switch mood {
	case MovedEarly:
		_ = l.write(event{Op: opReconnect})
	case NoSession:
		_ = l.write(event{Op: opInvalid, Data: false})
	case EarlyAck:
		_ = l.write(event{Op: opAck})
	case CloseBefore:
		l.close(code)
	}
}

// welcome lets a session in, or resumes it.
func (p *Platform) welcome(l *link, op int, data json.RawMessage) bool {
	var in struct {
		Token   string `json:"token"`
		Intents int    `json:"intents"`
		Session string `json:"session_id"`
		Seq     int64  `json:"seq"`
	}
	if json.Unmarshal(data, &in) != nil || !p.takes(in.Token) {
		l.close(closeAuth)
		return false
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if op == opResume {
		s := p.gate.sessions[in.Session]
		if s == nil || s.gone {
			return l.write(event{Op: opInvalid, Data: false}) == nil
		}
		l.session, l.intents, p.gate.live, p.gate.links[l] = s, p.Allowed, l, true
		for _, e := range s.events {
			if e.Seq > in.Seq {
				_ = l.write(e)
			}
		}
		s.seq++
		p.changed.Broadcast()
		return l.write(event{Op: opDispatch, Type: "RESUMED", Seq: s.seq, Data: struct{}{}}) == nil
	}
	if in.Intents&^p.Allowed != 0 {
		l.close(closeIntents)
		return false
	}
	for _, s := range p.gate.sessions {
		s.gone = s.gone || !p.Several
	}
	p.identify++
	s := &session{id: "session-" + strconv.Itoa(p.identify), seq: 1}
	p.gate.sessions[s.id] = s
	p.receipt(Receipt{Saw: Began, ID: s.id})
	l.session, l.intents, p.gate.live, p.gate.links[l] = s, in.Intents, l, true
	p.changed.Broadcast()
	return l.write(event{Op: opDispatch, Type: "READY", Seq: 1, Data: map[string]any{
		"v": 9, "session_id": s.id, "resume_gateway_url": "ws://" + p.addr, "user": map[string]any{"id": Self, "username": "turnstone", "bot": true},
		"application": map[string]any{"id": App}, "guilds": []any{},
	}}) == nil
}
