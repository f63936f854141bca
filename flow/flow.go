// Package flow is the dialogue: an episode, an event and a moment come in, a
// change comes out. It is pure: no input or output, no clock, no goroutine.
// The protocol says what is asked; looplab/fsm, built from it as one checked
// table, says what may follow what.
package flow

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"turnstone/care"
	"turnstone/flow/answer"
	"turnstone/flow/protocol"
)

// A Reader reads typed words: answers to a question, and the words that may
// be said at any moment.
type Reader interface {
	Read(q answer.Question, text string) answer.Reading
	Command(text string, prefer care.Locale) (care.Command, bool)
	Language(text string) (care.Locale, bool)
}

// A Book knows the words on a choice, so that they can be typed too.
type Book interface {
	Text(locale care.Locale, s care.Sentence) (string, error)
	Words(locale care.Locale, key care.SentenceKey) []string
	Has(key care.SentenceKey) bool
	Spoken(locale care.Locale, key care.SentenceKey) bool // may it be said in that language?
	Name(locale care.Locale) string                       // the language's own
}

// Numbers knows the emergency numbers by region, and where they hold.
type Numbers interface {
	Emergency(region string) (string, bool)
	Crisis(region string) (string, bool)
	Zone(region string) (string, bool)
	Places() []care.Sentence
}

// Settings are what a flow is built from.
type Settings struct {
	Protocols []*protocol.Protocol
	Current   string // name of the protocol that new episodes begin under; its highest version is taken
	Reader    Reader
	Book      Book
	Numbers   Numbers
	Practice  bool                  // nobody has signed: every screen says so
	Hours     care.Hours            // when the clinic is open; the zero Hours promise nobody
	Months    int                   // how long a closed talk is kept; 0 is the usual time
	HoursOf   map[string]care.Hours // where a community has hours of its own, by Start.Server

	// Watch, where set, is told of every look at a fact: which state the
	// episode was in and which fact it was. Tests use it.
	Watch func(state string, f care.Fact)
}

// A Flow decides. It is safe for concurrent use.
type Flow struct {
	set     Settings
	zones   sync.Map // name -> *time.Location
	current *compiled
	byID    map[string]*compiled
}

// A compiled is a protocol with its table.
type compiled struct {
	*protocol.Protocol
	table *table
	order map[care.Fact]int
	kinds map[string]*protocol.Talk // the one talk of a kind
	rows  map[care.Fact][]int       // in which combinations a fact stands
	asks  map[*protocol.Screen]*care.Ask
}

// New compiles the tables of every protocol and checks them.
func New(s Settings) (*Flow, error) {
	f := &Flow{set: s, byID: map[string]*compiled{}}
	var faults []error
	for _, p := range s.Protocols {
		c, err := compile(p, s.Book)
		if err != nil {
			faults = append(faults, fmt.Errorf("protocol %s: %w", p.ID(), err))
			continue
		}
		f.byID[p.ID()] = c
		if p.Name == s.Current && (f.current == nil || f.current.Version < p.Version) {
			f.current = c
		}
	}
	if f.current == nil {
		faults = append(faults, fmt.Errorf("no protocol is called %q; name one that is loaded", s.Current))
	}
	return f, errors.Join(faults...)
}

func compile(p *protocol.Protocol, book Book) (*compiled, error) {
	t, err := newTable(p)
	c := &compiled{Protocol: p, table: t, order: map[care.Fact]int{}, kinds: map[string]*protocol.Talk{}, rows: map[care.Fact][]int{}, asks: map[*protocol.Screen]*care.Ask{}}
	for n, row := range p.Raise {
		for _, f := range row.When.Reads() {
			c.rows[f] = append(c.rows[f], n)
		}
	}
	for i, f := range p.Order {
		c.order[f] = i
	}
	for _, name := range p.TalkSeq {
		if talk := p.Talks[name]; c.kinds[talk.Kind] == nil {
			c.kinds[talk.Kind] = talk
		}
		for i := range p.Talks[name].Screens {
			if s := &p.Talks[name].Screens[i]; s.Say == "" {
				c.asks[s] = askFor(p, book, s)
			}
		}
	}
	return c, err
}

// Protocols lists the identities of the loaded versions.
func (f *Flow) Protocols() []string {
	var ids []string
	for id := range f.byID {
		ids = append(ids, id)
	}
	return ids
}

// States counts the states of the current protocol's table.
func (f *Flow) States() int { return len(f.current.table.states()) }

// A Start says how a new episode begins.
type Start struct {
	ID      care.EpisodeID
	Locale  care.Locale
	Zone    string // IANA name
	ZoneSet bool   // somebody chose the zone: a region does not change it
	Region  string // empty while unknown
	Server  string // the community it comes from, where the clinic has hours of its own there
	Shared  bool   // zone and region are those of a whole server, not this person's own
	Other   bool   // about somebody else than the account's owner
	Now     time.Time
}

// Begin returns a new episode, before its first event.
func (f *Flow) Begin(s Start) care.Episode {
	return care.Episode{
		ID: s.ID, Protocol: f.current.ID(), Locale: s.Locale, Zone: s.Zone, ZoneSet: s.ZoneSet, Region: s.Region, Server: s.Server, KeepMonths: f.set.Months, Other: s.Other,
		ZoneAsk: s.Shared && !s.ZoneSet, Elsewhere: s.Shared && s.Region != "",
		Opened: s.Now, LastHeard: s.Now, State: StateNew,
	}
}

// Step decides what one event comes to. The episode that came in is not
// changed. Bad choices are care.ErrBadChoice and care.ErrNoAsk; staff acts
// that can't be done are care.ErrStaff. An unknown protocol or state is an
// error, never a guess.
func (f *Flow) Step(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error) {
	t, err := f.turn(ep, ev, now)
	if err != nil {
		return care.Change{}, err
	}
	switch ev.Kind {
	case care.Opened:
		err = t.opened()
	case care.Said:
		err = t.said(ev.Text, found)
	case care.Chose:
		err = t.chose(ev)
	case care.FellDue:
		err = t.due(ev.Item)
	case care.StaffDid:
		err = t.staff(ev.Staff)
	case care.Retired:
		err = t.retired()
	case care.WasAway:
		err = t.wasAway()
	default:
		err = fmt.Errorf("an event of kind %d can't happen", ev.Kind)
	}
	if err == nil {
		err = t.finish()
	}
	if err != nil {
		return care.Change{}, err
	}
	return t.change(), nil
}

func (f *Flow) turn(ep care.Episode, ev care.Event, now time.Time) (*turn, error) {
	p, ok := f.byID[ep.Protocol]
	if !ok {
		return nil, fmt.Errorf("episode %s runs under protocol %s, which is not loaded", ep.ID, ep.Protocol)
	}
	zone, err := f.zone(ep.Zone)
	if err != nil {
		return nil, fmt.Errorf("episode %s: zone %q is unknown: %w", ep.ID, ep.Zone, err)
	}
	return &turn{f: f, p: p, ep: clone(ep), ev: ev, now: now, zone: zone, before: ep.Disposition, lines: make([]care.Sentence, 0, 8)}, nil
}

// zone finds a zone by name, once: reading the zone data is slow.
func (f *Flow) zone(name string) (*time.Location, error) {
	if z, ok := f.zones.Load(name); ok {
		return z.(*time.Location), nil //nolint:forcetypeassert // only locations are stored
	}
	z, err := time.LoadLocation(name)
	if err == nil {
		f.zones.Store(name, z)
	}
	return z, err
}
