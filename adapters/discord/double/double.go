// Package double is a stand-in for Discord: its gateway and the calls that
// Turnstone makes, with people to press, write and read. It is strict where
// the platform refuses something, and it can fail in every way that the
// platform fails.
//
// The rules are those of Discord's developer documentation (docs snapshot of
// August 2026: "Gateway", "Receiving and Responding", "Create Message",
// "Component Reference", "Rate Limits", "Opcodes and Status Codes"). What is
// from memory is marked so. It is no proof of what Discord's servers do.
package double

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"
)

// Token is the bot's token here until it is Reset, App its application and Self its account.
const (
	Token = "a-token-of-the-stand-in"
	App   = "700000000000000001"
	Self  = "700000000000000002"
)

// A Platform is the stand-in. Its knobs may be turned at any time.
type Platform struct {
	// Beat is the heartbeat interval; Allowed are the intents that the
	// application may ask for. Now tells the time.
	Beat    time.Duration
	Allowed int
	Now     func() time.Time

	Ahead  time.Duration // how far its clock is before ours
	Public bool          // anybody may invite the bot

	// Several lets sessions of one bot stand side by side, each told everything
	// (Discord's documentation, "Sharding": the same shard may be started more
	// than once). Without it the newest one alone is.
	Several bool

	mu       sync.Mutex
	token    string
	changed  *sync.Cond
	server   *http.Server
	addr     string
	last     int64
	people   map[string]*Person
	servers  map[string]*Server
	channels map[string]*channel
	direct   map[string]string // account -> channel
	acts     map[string]*act   // by token
	commands json.RawMessage
	sent     []Sent
	faults   []*Fault
	breaches []string
	identify int
	gate     gateway
	receipts []Receipt
	watch    func(Receipt)
	swallow  int
}

// A Sent is one call that the bot made, and how it was answered: the
// platform's own receipt.
type Sent struct {
	Method, Path string
	Body         json.RawMessage
	Status       int
}

// New starts a platform on a port of this machine.
func New() (*Platform, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &Platform{
		Beat: 10 * time.Second, Allowed: 1 | 1<<12, Now: time.Now, token: Token, addr: l.Addr().String(), last: 1_000_000_000_000_000_000,
		people: map[string]*Person{}, servers: map[string]*Server{}, channels: map[string]*channel{}, direct: map[string]string{}, acts: map[string]*act{},
	}
	p.changed = sync.NewCond(&p.mu)
	p.gate.sessions, p.gate.links = map[string]*session{}, map[*link]bool{}
	p.server = &http.Server{Handler: p.routes(), ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = p.server.Serve(l) }() // ends with Close
	return p, nil
}

// At is the address to give to the bot.
func (p *Platform) At() string { return "http://" + p.addr }

// Close ends the platform.
func (p *Platform) Close() error {
	p.Drop()
	return p.server.Close()
}

// Reset makes another token the bot's; the old one is worth nothing any more,
// and whoever came with it is put out.
func (p *Platform) Reset(token string) {
	p.mu.Lock()
	p.token = token
	p.mu.Unlock()
	p.ForgetSessions()
	p.CloseWith(closeAuth)
}

// takes reports whether a token is the bot's.
func (p *Platform) takes(header string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return header == "Bot "+p.token
}

// id makes the next ID: they grow with time. The caller holds mu.
func (p *Platform) id() string {
	p.last++
	return strconv.FormatInt(p.last, 10)
}

// breach notes a call that a bot must not make. Tests look that there is none.
func (p *Platform) breach(format string, args ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.breaches = append(p.breaches, fmt.Sprintf(format, args...))
}

// Breaches are the rules that the bot has broken.
func (p *Platform) Breaches() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.breaches...)
}

// Sent are the calls so far.
func (p *Platform) Sent() []Sent {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]Sent(nil), p.sent...)
}

// Identified counts the new sessions.
func (p *Platform) Identified() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.identify
}

// Commands is what the bot has registered.
func (p *Platform) Commands() json.RawMessage {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.commands
}

// Until waits until ok says so, looked at after every change, and reports
// whether that came in time.
func (p *Platform) Until(within time.Duration, ok func() bool) bool {
	stop := time.AfterFunc(within, p.ring)
	defer stop.Stop()
	end := time.Now().Add(within)
	for {
		if ok() {
			return true
		}
		p.mu.Lock()
		if time.Now().After(end) {
			p.mu.Unlock()
			return ok()
		}
		woken := time.AfterFunc(20*time.Millisecond, p.ring) // a change between ok and Wait is not missed
		p.changed.Wait()
		p.mu.Unlock()
		woken.Stop()
	}
}

func (p *Platform) ring() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.changed.Broadcast()
}

// A Fault is a failure of calls to come.
type Fault struct {
	Match  string        // how the path must begin, after the version; empty is every call
	Times  int           // how often; it counts down
	Status int           // 0: the connection is cut
	Body   string        // as it is sent
	Header http.Header   // beside it
	Wait   time.Duration // before the answer
	After  bool          // the call is done all the same, and only its answer is this
}

// Change changes what may be set, while the stand-in is at work.
func (p *Platform) Change(f func(p *Platform)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f(p)
}

func (p *Platform) ahead() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.Ahead
}

// Fail adds a fault.
func (p *Platform) Fail(f Fault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if f.Times == 0 {
		f.Times = 1
	}
	p.faults = append(p.faults, &f)
}

// Heal takes all faults back.
func (p *Platform) Heal() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.faults = nil
}
