package double

import (
	"slices"
	"time"
)

// A Saw is what a receipt is for.
type Saw int

// What the stand-in keeps receipts for.
const (
	Wrote    Saw = iota + 1 // it took words from a person
	Pressed                 // it took a press, a command or a field
	Answered                // the bot gave the first answer to one, in time
	Brought                 // a message of the bot stands before a person
	Repeated                // the bot sent one again; the platform swallowed it
	Began                   // a new session of the bot
)

func (s Saw) String() string {
	return [...]string{"", "wrote", "pressed", "answered", "brought", "repeated", "began"}[s]
}

// A Receipt is what the stand-in itself saw, and when by the monotonic clock.
// It knows nothing of what the bot keeps.
type Receipt struct {
	Saw     Saw
	At      time.Time
	Who     string  // the account; empty for a session
	ID      string  // of the message or the interaction
	Heard   bool    // Wrote, Pressed: somebody listened at that moment
	Direct  bool    // Brought: in a direct message or a thread, not below a press in a server
	Message Message // Brought: as it stood then
}

// Watch hands each receipt to f from now on, in order. It is called where the
// platform is at work, so it must not wait, nor ask the platform anything.
func (p *Platform) Watch(f func(Receipt)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.watch = f
}

// Receipts are all so far, in the order of their moments.
func (p *Platform) Receipts() []Receipt {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.receipts)
}

// IDsFrom lets accounts, messages and interactions begin above an ID, so that
// a store that outlives a stand-in meets nobody twice.
func (p *Platform) IDsFrom(id int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.last = max(p.last, id)
}

// Swallow lets the next n messages to people vanish: the bot is told that they
// were brought. A platform that does this loses them; whoever counts losses
// must see it.
func (p *Platform) Swallow(n int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.swallow = n
}

// Channel is the direct message with this person; it is opened if need be.
func (w *Person) Channel() string {
	w.p.mu.Lock()
	defer w.p.mu.Unlock()
	return w.p.directOf(w.ID)
}

// ID is the interaction's own.
func (a Act) ID() string { return a.id }

// receipt keeps one. The caller holds mu.
func (p *Platform) receipt(r Receipt) {
	r.At = time.Now()
	p.receipts = append(p.receipts, r)
	if p.watch != nil {
		p.watch(r)
	}
}

// brought is the receipt of a message before whoever can read it alone. The
// caller holds mu.
func (p *Platform) brought(saw Saw, ch *channel, m *Message) {
	if m.For != "" {
		p.receipt(Receipt{Saw: saw, Who: m.For, ID: m.ID, Message: *m})
		return
	}
	if ch.kind == 0 {
		return // everybody's
	}
	for who := range ch.members {
		p.receipt(Receipt{Saw: saw, Who: who, ID: m.ID, Direct: true, Message: *m})
	}
}
