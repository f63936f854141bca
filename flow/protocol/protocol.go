// Package protocol reads what is asked and what it leads to: the clinicians'
// data, as YAML. A file is read whole and checked whole; a faulty one is
// refused with every fault, its line and what to do.
package protocol

import (
	"slices"
	"time"

	"turnstone/care"
)

// A Protocol is one checked file.
type Protocol struct {
	Name    string
	Version int
	Hash    string // SHA-256 of the file, in hex

	Sources map[string]string
	Facts   map[care.Fact]*Fact
	Order   []care.Fact // the facts in the order of the file
	Signs   map[care.Sign]*Sign
	BySign  map[care.Sign]care.Fact // which fact a sign belongs to
	Raise   []Row
	Blocks  map[string]Cond
	Groups  map[string][]care.Fact
	Talks   map[string]*Talk
	TalkSeq []string // the talks in the order of the file
	Offers  map[string]Offer
	Roles   Roles
	Rules   Rules
	Series  map[string]Cond
	Follow  FollowUp
	Check   CheckRows
}

// ID is name@version, as kept in a running episode.
func (p *Protocol) ID() string { return id(p.Name, p.Version) }

// Pictures are the names of the pictures that its screens show, sorted.
func (p *Protocol) Pictures() []string {
	var names []string
	for _, t := range p.Talks {
		for _, s := range t.Screens {
			if s.Picture != "" {
				names = append(names, s.Picture)
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// A Fact is one thing the person can tell.
type Fact struct {
	Name        care.Fact
	Kind        care.Kind
	Danger      bool
	Values      []string // OneOf, Several, and YesNo with a choice more
	Bands       []Band   // Age, Since, Scale: the value that stands for a range
	Unread      string   // the band of an unreadable answer
	UnsureMeans []string // Several: what "not sure" stands for
	To          map[string]care.Disposition
	Plans       []Plan
	Sensitive   []string // values that only staff with the right may see
	Picture     string
	SaidLike    string // the words that answer it, where several facts are answered in the same words
	Signs       []care.Sign
	Source      string
	Line        int
}

// Top is the most severe disposition that the fact gives by itself.
func (f *Fact) Top() care.Disposition {
	var top care.Disposition
	for _, d := range f.To {
		top = max(top, d)
	}
	return top
}

// Bad is the value a typed danger sign stands for: the one that raises.
func (f *Fact) Bad() string {
	if _, yes := f.To[care.Yes]; yes || len(f.To) == 0 {
		return care.Yes
	}
	return care.No
}

// A Band is a range of an age (years), a time since (hours) or a scale, both
// ends included for whole numbers; for hours the upper end is excluded.
// To < 0 means no upper end.
type Band struct {
	Name     string
	From, To float64
}

// Band returns the name of the band that v falls into.
func (f *Fact) Band(v float64) (string, bool) {
	for _, b := range f.Bands {
		if v >= b.From && (b.To < 0 || v < b.To || f.Kind != care.Since && v == b.To) {
			return b.Name, true
		}
	}
	return "", false
}

// A Plan schedules a talk when the answer is one of When.
type Plan struct {
	When  []string
	What  string
	After time.Duration
}

// A Sign is a danger sign that belongs to no fact.
type Sign struct {
	To        care.Disposition
	Sensitive bool
	Crisis    bool   // the local crisis line is shown beside the emergency number
	Private   bool   // nothing unasked is sent afterwards without a chosen safe time
	Talk      string // a talk that it opens
}

// A Row raises when its condition holds.
type Row struct {
	To     care.Disposition
	When   Cond
	Names  []care.Fact // named instead of the members
	Ever   bool        // holds over everything told in the episode, not only in one talk
	Source string
	Line   int
}

// A Talk is an order of screens.
type Talk struct {
	Name    string
	Kind    string
	Then    map[care.Disposition]string
	Judge   bool // rows a to f apply
	Final   bool // the last of the checks
	Screens []Screen
	Line    int
}

// The kinds of talk.
const (
	First     = "first"     // day 0
	Emergent  = "emergency" // an open emergency
	CareTalk  = "care"      // advice, a screen at a time
	Crutches  = "crutches"  // fitting and walking
	Check     = "check"     // asks again
	Last      = "last"      // the last check; the episode closes after it
	Seen      = "seen"      // have you been seen?
	DangerAsk = "danger"    // danger A and B again
	UnsafeAsk = "unsafe"    // when is it safe to write?
)

// A Screen is one question, one group of facts or one thing to read.
type Screen struct {
	Name    string // as in the state: the fact, the group or the sentence
	Text    string // the sentence asked, where it is not the name
	Facts   []care.Fact
	Kind    care.Kind
	Say     string // a sentence to read
	Picture string
	Offers  []string
	Plain   bool // unreadable twice: asked once more as one plain question

	Only    Cond // asked only where this holds (zero: always)
	Unless  Cond // not asked where this holds
	Below   care.Disposition
	Given   *Given
	Section string // screens of a section are skipped in one move
	Line    int
}

// Conditional reports whether the screen may be skipped.
func (s Screen) Conditional() bool {
	return s.Only.Op != "" || s.Unless.Op != "" || s.Below != 0 || s.Given != nil
}

// A Given settles a fact from another one instead of asking.
type Given struct {
	Fact  care.Fact
	Value string
	Is    string
}

// An Offer is a choice beside "go on".
type Offer struct {
	Talk    string
	Timer   time.Duration
	Longest time.Duration
}

// Roles say which facts play which part.
type Roles struct {
	Region, Age, Adult, Consent, DayZero, Ride, Seen, Xray, Height, SafeTime, Overall, Pain, Walking, Swelling, Steps care.Fact
	DangerFirst                                                                                                       string
}

// Baselines are the facts that a check compares.
func (r Roles) Baselines() []care.Fact {
	return []care.Fact{r.Pain, r.Walking, r.Swelling, r.Steps, r.Overall}
}

// Rules is the pure published rule.
type Rules struct {
	NotApplicable Cond
	Instead       Instead
	Rules         []Rule
}

// Instead derives an answer of a question that was not asked.
type Instead struct {
	Fact, By care.Fact
	Yes, No  []string
}

// A Rule is positive when Needs holds and one criterion is or may be true.
type Rule struct {
	Name   string
	Needs  Cond
	Any    []care.Fact
	BothNo []care.Fact
}

// FollowUp says when to ask again.
type FollowUp struct {
	Night           Night
	LeastAfterTalk  time.Duration
	Checks          []Due
	NoneLeft        Due
	Last            Due
	RepeatAfter     time.Duration
	NoReplyAfter    time.Duration
	ReplacedWithin  time.Duration
	BaselineAtLeast time.Duration
	OnceMore        Due
	SwellingFree    SwellingFree
	Seen            map[care.Disposition]SeenAt
	KeepNoConsent   time.Duration // after the last word, without consent
	Keep            time.Duration // after the last word, with consent
}

// A Night is the time of day at which nobody is woken; From is night, To is not.
type Night struct {
	From, To time.Duration // since midnight, local
	Longest  time.Duration
}

// A Due is a check and when it comes.
type Due struct {
	What  string
	After time.Duration
}

// SwellingFree names the check that does not judge swelling when the entry
// was early.
type SwellingFree struct {
	What       string
	EntryUnder time.Duration
}

// SeenAt says when "have you been seen?" is asked.
type SeenAt struct {
	At      []time.Duration
	AnyHour bool
	Repeat  time.Duration
}

// CheckRows holds the figures of rows b to f.
type CheckRows struct {
	StepsFrom        time.Duration
	StepsTo          care.Disposition
	StepsToWhenClear care.Disposition
	WorseBy          int
	WorseTo          care.Disposition
	StillStrongFrom  int
	StillStrongTo    care.Disposition
	NotImproved      care.Disposition
	Points, Share    int // improved by so many points, or by so many percent
	EntryFrom        int // the pain from which a fall proves something
}
