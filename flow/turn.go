package flow

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// A turn is one Step at work: the episode as it becomes, the lines of its log
// and the message that is being put together.
type turn struct {
	f      *Flow
	p      *compiled
	ep     care.Episode
	ev     care.Event
	now    time.Time
	zone   *time.Location
	before care.Disposition // on entering
	log    []care.Line
	lines  []care.Sentence

	every       view             // of every round
	told        []told           // facts and signs that were told in this turn, by name
	fresh       care.Disposition // the most severe reason found in this turn
	rosen       care.Disposition // what staff were told in this turn
	reportedNow bool             // the disposition stands in the log already
	lowered     bool             // staff lowered the disposition in this turn
	carded      bool             // the emergency card is in this turn's message
	shown       bool             // where the episode now stands is in the message already
}

// clone copies what a turn may change in place.
func clone(ep care.Episode) care.Episode {
	ep.Trail = roomy(ep.Trail)
	ep.Reasons = slices.Clone(ep.Reasons)
	ep.Escalations = slices.Clone(ep.Escalations)
	ep.Agenda = roomy(ep.Agenda)
	ep.Rounds = slices.Clone(ep.Rounds) // the answers within are copied when one is stored
	return ep
}

// roomy copies a list that a turn adds a little to.
func roomy[T any](list []T) []T { return append(slices.Grow([]T(nil), len(list)+4), list...) }

func (t *turn) change() care.Change {
	return care.Change{Episode: t.ep, Log: t.log}
}

func (t *turn) note(l care.Line) {
	l.At = t.now
	if l.Type == care.LineDisposition {
		l.Protocol = t.ep.Protocol
	}
	t.log = append(t.log, l)
}

// next numbers items and escalations; the number makes their IDs the same
// however often a step is worked out.
func (t *turn) next() string {
	t.ep.Seq++
	return string(t.ep.ID) + "-" + strconv.Itoa(t.ep.Seq)
}

// place is where the episode stands.
func (t *turn) place() (place, bool) {
	pl, ok := t.p.table.screens[t.ep.State]
	return pl, ok
}

// move takes one event of the table.
func (t *turn) move(event string) error {
	to, err := t.p.table.move(t.ep.State, event)
	if err != nil {
		return fmt.Errorf("episode %s: %w", t.ep.ID, err)
	}
	t.ep.State = to
	return nil
}

// begin starts a talk, in a round of its own where it keeps one.
func (t *turn) begin(talk *protocol.Talk) error {
	if err := t.move(evTo + talk.Name); err != nil {
		return err
	}
	t.ep.Trail, t.ep.Tries, t.ep.Retaken, t.ep.Aside, t.ep.Ask, t.shown = nil, 0, "", care.Aside{}, nil, false
	switch {
	case talk.Kind == protocol.First && len(t.ep.Rounds) > 0:
		t.ep.Round = 0
	case ownRound(talk.Kind):
		t.ep.Round = t.freeRound(talk)
	}
	return t.settle()
}

func ownRound(kind string) bool {
	switch kind {
	case protocol.First, protocol.Check, protocol.Last, protocol.DangerAsk, protocol.Seen:
		return true
	default:
		return false
	}
}

// freeRound is a round for a talk. What is asked again and again (a message
// re-opens the talk, "have you been seen?") uses its round anew, so that a
// record does not grow with each message; its reasons stay.
func (t *turn) freeRound(talk *protocol.Talk) int {
	fresh := care.Round{Key: talk.Name, Talk: talk.Name, At: t.now}
	often := talk.Kind == protocol.Seen || talk.Kind == protocol.DangerAsk || talk.Kind == protocol.Check && !talk.Judge
	if i := slices.IndexFunc(t.ep.Rounds, func(r care.Round) bool { return r.Talk == talk.Name && t.forgettable(r) }); often && i > 0 {
		t.ep.Rounds = append(slices.Delete(t.ep.Rounds, i, i+1), fresh)
		return len(t.ep.Rounds) - 1
	}
	if !often && len(t.ep.Rounds) > 0 {
		fresh.Key += "#" + strconv.Itoa(t.ep.Seq)
	}
	t.ep.Rounds = append(t.ep.Rounds, fresh)
	return len(t.ep.Rounds) - 1
}

// forgettable reports whether a round holds nothing that counts later: only
// "no", how it goes, whether somebody was seen, and an X-ray without a result.
func (t *turn) forgettable(r care.Round) bool {
	return !slices.ContainsFunc(r.Facts, func(h *care.Held) bool {
		open := h.Fact == t.p.Roles.Xray && !slices.Contains(h.Values, "fracture") && !slices.Contains(h.Values, "no_fracture")
		return !open && h.Fact != t.p.Roles.Overall && h.Fact != t.p.Roles.Seen && !slices.Equal(h.Values, []string{care.No})
	})
}

// settle walks through junctions until a screen is to be shown or the talk is
// over, then shows the screen or closes the talk.
func (t *turn) settle() error {
	for {
		pl, ok := t.place()
		switch {
		case !ok:
			return nil
		case pl.end:
			return t.close(pl.talk)
		case !pl.junction:
			return nil
		}
		event := evSkip
		if t.wanted(pl.screen) {
			event = evAsk
		} else {
			t.skipSection(pl)
		}
		if err := t.move(event); err != nil {
			return err
		}
	}
}

// skipSection keeps that the points of a section were not pressed.
func (t *turn) skipSection(pl place) {
	if pl.screen.Section == "" {
		return
	}
	for i := pl.index; i < past(pl.talk, pl.index); i++ {
		t.store(pl.talk.Screens[i].Facts[0], notExamined, true)
	}
}

// notExamined is kept for a point that nobody pressed.
const notExamined = "not_examined"

// wanted reports whether a conditional screen is asked. A fact that another
// one settles is stored here.
func (t *turn) wanted(s *protocol.Screen) bool {
	v := t.view()
	if g := s.Given; g != nil && v.latest(g.Fact) == g.Value {
		t.store(s.Facts[0], g.Is, false)
		t.judge()
		return false
	}
	if s.Only.Op != "" {
		if ok, _ := s.Only.Holds(t.p.Protocol, v); !ok {
			return false
		}
	}
	if s.Unless.Op != "" {
		if ok, _ := s.Unless.Holds(t.p.Protocol, v); ok {
			return false
		}
	}
	return s.Below == 0 || t.ep.Disposition < s.Below
}

// round is the round that answers go into.
func (t *turn) round() *care.Round { return &t.ep.Rounds[t.ep.Round] }

// store keeps an answer beside those given before. What came in with the
// episode is not changed: the round and the answer are copied first.
func (t *turn) store(f care.Fact, value string, skipped bool) *care.Held {
	r := t.round()
	h := &care.Held{Fact: f}
	i := slices.IndexFunc(r.Facts, func(had *care.Held) bool { return had.Fact == f })
	r.Facts = roomy(r.Facts)
	if i < 0 {
		r.Facts = append(r.Facts, h)
	} else {
		*h = *r.Facts[i]
		h.Values = slices.Clone(h.Values)
		r.Facts[i] = h
	}
	h.Add(value)
	h.Skipped, h.At = skipped, t.now
	t.toldNow(string(f), value)
	t.note(care.Line{Type: care.LineAnswer, Fact: f, Value: value})
	return h
}

// toldNow notes what was told in this turn.
func (t *turn) toldNow(name, value string) {
	i, had := slices.BinarySearchFunc(t.told, name, told.byName)
	if had {
		t.told[i].value = value
		return
	}
	t.told = slices.Insert(t.told, i, told{name, value})
}

// told is a fact or a sign with what was told of it.
type told struct{ name, value string }

func (x told) byName(name string) int { return strings.Compare(x.name, name) }

// say adds a sentence to the message of this turn. Arguments come in pairs.
func (t *turn) say(key string, args ...string) {
	t.lines = append(t.lines, sentence(key, args...))
}

func sentence(key string, args ...string) care.Sentence {
	s := care.Sentence{Key: care.SentenceKey(key)}
	if len(args) > 0 {
		s.Args = map[string]string{}
	}
	for i := 0; i+1 < len(args); i += 2 {
		s.Args[args[i]] = args[i+1]
	}
	return s
}

// send puts the message on the agenda, due now.
func (t *turn) send(ask *care.Ask, picture string, urgent bool) {
	if len(t.lines) == 0 {
		return
	}
	lines := t.helpFirst(t.lines)
	if t.f.set.Practice && !neutral[lines[0].Key] {
		lines = slices.Insert(lines, 0, sentence("practice"))
	}
	t.lines = nil
	t.ep.Agenda = append(t.ep.Agenda, care.Item{
		ID: care.ItemID(t.next()), What: care.DoSay, Due: t.now, Urgent: urgent,
		Say: &care.Message{Lines: lines, Picture: picture, Ask: ask},
	})
}

// neutral sentences tell nobody who looks over a shoulder what this is about;
// nothing stands before them.
var neutral = map[care.SentenceKey]bool{"neutral": true, "neutral.again": true, "cmd.hidden": true}

// answering reports whether somebody is there: what they wait for is urgent.
func (t *turn) answering() bool {
	return t.ev.Kind == care.Opened || t.ev.Kind == care.Said || t.ev.Kind == care.Chose
}

// plan schedules an item and says so in the log.
func (t *turn) plan(it care.Item) {
	it.ID = care.ItemID(t.next())
	t.ep.Agenda = append(t.ep.Agenda, it)
	t.note(care.Line{Type: care.LinePlanned, ID: string(it.ID), What: it.What, Due: it.Due})
}

// cancel takes back what is planned and matches.
func (t *turn) cancel(match func(care.Item) bool) {
	t.ep.Agenda = slices.DeleteFunc(t.ep.Agenda, func(it care.Item) bool {
		if it.What == care.DoSay || it.What == care.DoRaise || !match(it) {
			return false
		}
		if it.What != care.DoErase && it.What != care.DoUnfinished && it.What != care.DoZone { // no plans that the person was told of
			t.note(care.Line{Type: care.LineCancelled, ID: string(it.ID), What: it.What})
		}
		return true
	})
}

func (t *turn) cancelWhat(what ...string) {
	t.cancel(func(it care.Item) bool { return slices.Contains(what, it.What) })
}

func (t *turn) has(what string) bool {
	return slices.ContainsFunc(t.ep.Agenda, func(it care.Item) bool { return it.What == what })
}

// factNames sorts names in protocol order; signs and the like come last.
func (c *compiled) sorted(names []string) []string {
	rank := func(n string) int {
		if i, ok := c.order[care.Fact(n)]; ok {
			return i
		}
		return len(c.order)
	}
	slices.SortStableFunc(names, func(a, b string) int { return rank(a) - rank(b) })
	return slices.Compact(names)
}
