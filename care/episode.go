// Package care holds the words of Turnstone: what an episode is, what happens
// to it and what comes out. It decides nothing and needs nothing but the
// standard library.
package care

import (
	"slices"
	"time"
)

// PersonID is the pseudonym of one hurt person reached through one account.
type PersonID string

// EpisodeID names one injury of one person, from consent to closing.
type EpisodeID string

// ItemID names something still to do for a person. It is derived from the
// episode, so that a repeat is recognised by it.
type ItemID string

// EventID is the platform's own ID of something that happened.
type EventID string

// A Fact is the name of one thing that the person can tell.
type Fact string

// An Episode is one injury of one person: what was asked and answered, where
// it leads, and what is still to do.
type Episode struct {
	ID         EpisodeID `json:"id"`
	Protocol   string    `json:"protocol"` // name@version; a running episode keeps it
	Locale     Locale    `json:"locale"`
	ZoneSet    bool      `json:"zone_set,omitempty"`    // somebody chose the zone: a region does not change it
	Zone       string    `json:"zone"`                  // IANA name of the person's zone
	Region     string    `json:"region,omitempty"`      // ISO 3166 code, empty while unknown
	KeepMonths int       `json:"keep_months,omitempty"` // how long it is kept once closed, as the person was told; 0 is UsualMonths
	Server     string    `json:"server,omitempty"`      // the community that it came from, where the clinic has hours of its own there
	ZoneAsk    bool      `json:"zone_ask,omitempty"`    // the zone is that of a whole server: the person is asked before anything is planned by it
	Elsewhere  bool      `json:"elsewhere,omitempty"`   // so is the region: the card says what to call elsewhere
	Other      bool      `json:"other,omitempty"`       // about somebody else than the account's owner
	Beside     bool      `json:"beside,omitempty"`      // a second episode of the same account is about somebody else
	WantsOther bool      `json:"-"`                     // this turn turns to the other person

	Opened    time.Time  `json:"opened"`
	LastHeard time.Time  `json:"last_heard"`
	State     string     `json:"state"`
	Aside     Aside      `json:"aside,omitzero"`    // a question beside the state, answered first
	Doubt     Sign       `json:"doubt,omitempty"`   // a sign that was perhaps meant; it stays until it is answered
	Behind    []Sentence `json:"behind,omitempty"`  // what is said when the person is there to read it
	Tries     int        `json:"tries,omitempty"`   // unreadable answers to the open question
	Trail     []string   `json:"trail,omitempty"`   // screens answered in this talk, in order
	Retaken   string     `json:"retaken,omitempty"` // the screen that is asked again after going back
	Ask       *Ask       `json:"ask,omitempty"`     // the open question

	Rounds    []Round   `json:"rounds"`          // answers, a round a talk that keeps its own
	Round     int       `json:"round,omitempty"` // the round that answers go into
	InjuredAt time.Time `json:"injured_at,omitzero"`

	Disposition Disposition  `json:"disposition,omitempty"`
	Told        Disposition  `json:"told,omitempty"` // the highest that the person was told
	Reasons     []Reason     `json:"reasons,omitempty"`
	Open        bool         `json:"open,omitempty"`       // an emergency is open
	RideKnown   bool         `json:"ride_known,omitempty"` // the ride was asked since this emergency opened
	Unheard     bool         `json:"unheard,omitempty"`    // staff know that a check was left halfway
	Sensitive   bool         `json:"sensitive,omitempty"`  // no unasked message without a safe time
	Escalations []Escalation `json:"escalations,omitempty"`

	Agenda    []Item `json:"agenda,omitempty"`
	Seq       int    `json:"seq"`                  // numbers items and escalations
	SeenAsked int    `json:"seen_asked,omitempty"` // how often "have you been seen?" was asked for this disposition
	LastDone  bool   `json:"last_done,omitempty"`  // the last check is over: the episode closes when nothing is left to do
	Stopped   bool   `json:"stopped,omitempty"`    // the person ended messages
	Closed    bool   `json:"closed,omitempty"`
	Erasing   bool   `json:"erasing,omitempty"` // erased as soon as the agenda is empty
}

// UsualMonths is how long a closed talk is kept where the clinic has set nothing
// else (common practice, no source).
const UsualMonths = 6

// Months is how many months the episode is kept once it is closed.
func (e *Episode) Months() int {
	if e.KeepMonths == 0 {
		return UsualMonths
	}
	return e.KeepMonths
}

// An Aside is a question beside the state, such as "press to read". About says
// which item it belongs to, By who asks. Behind "press to read" they say what
// comes next: a number for that item's call-back, or AboutAdvice.
type Aside struct {
	What  string    `json:"what,omitempty"`
	About string    `json:"about,omitempty"`
	By    string    `json:"by,omitempty"`
	At    time.Time `json:"at,omitzero"` // when a neutral line was sent
}

// The asides.
const (
	AsideRead  = "read"  // a neutral first line; the question follows when the person is there
	AsidePhone = "phone" // a telephone number for a call-back
	AsideZone  = "zone"  // is it about this time where you are?
	AsideClock = "clock" // what time is it where you are?
)

// AboutAdvice is behind a neutral line where staff have changed where to go.
const AboutAdvice = "advice"

// A Round holds the answers of one talk.
type Round struct {
	Key   string    `json:"key"` // names the round in the rows of reasons
	Talk  string    `json:"talk"`
	At    time.Time `json:"at"`
	Facts Answers   `json:"facts,omitempty"`
	Done  bool      `json:"done,omitempty"`
}

// Held is every answer that was given to one question, the latest last. An
// answer that is taken back stays: it may still be the true one.
type Held struct {
	Fact    Fact      `json:"fact"`
	Values  []string  `json:"values"`            // several choices of one answer are joined by a comma
	Skipped bool      `json:"skipped,omitempty"` // skipped, or unreadable after two tries
	Doubted bool      `json:"doubted,omitempty"` // was once not sure, where that stands for values
	Grouped bool      `json:"grouped,omitempty"` // not sure about a group that it stands in
	At      time.Time `json:"at,omitzero"`
}

// Answers are the answers of a round, one Held a fact.
type Answers []*Held

// Get returns the answers to f, or nil.
func (a Answers) Get(f Fact) *Held {
	for _, h := range a {
		if h.Fact == f {
			return h
		}
	}
	return nil
}

// Latest returns the last answer.
func (h *Held) Latest() string {
	if h == nil || len(h.Values) == 0 {
		return ""
	}
	return h.Values[len(h.Values)-1]
}

// Add notes one more answer.
func (h *Held) Add(value string) {
	h.Values = append(slices.DeleteFunc(h.Values, func(v string) bool { return v == value }), value)
}

// A Reason is something the person told that asks for at least a disposition.
type Reason struct {
	Row       string      `json:"row"` // round and row of the protocol; the same row counts once
	To        Disposition `json:"to"`
	Names     []string    `json:"names"` // facts, or the sign's own name
	Sensitive bool        `json:"sensitive,omitempty"`
	Settled   bool        `json:"settled,omitempty"` // staff lowered it
	Doubt     bool        `json:"doubt,omitempty"`   // was not sure about it
}

// Because lists what the current disposition rests on, each name once, in the
// order the reasons were first given.
func (e *Episode) Because() []string {
	names := []string{}
	for _, r := range e.Reasons {
		if r.Settled || r.To != e.Disposition {
			continue
		}
		for _, n := range r.Names {
			if !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
	}
	return names
}
