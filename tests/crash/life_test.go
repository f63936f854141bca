// Package crash ends the built program in the middle of everything, takes its
// disk and its file away, and looks at what is left.
package crash

import (
	"encoding/json"
	"os"
	"slices"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/tests/house"
	"turnstone/tests/talk"
)

func TestMain(m *testing.M) { os.Exit(talk.Main(m)) }

// A life is a person with their answers, and what they type instead of the
// answer to one question.
type life struct {
	name     string
	person   talk.Person
	at, says string // typed at the question about this fact, once
}

var lives = []life{
	{name: "a plain sprain"},
	{name: "seen today", person: talk.Person{"navicular": "yes", "pain_worst": "8"}},
	{name: "an emergency that is typed", at: "side", says: "i can't feel my toes"},
	{name: "an emergency that is pressed, and no ride", person: talk.Person{"deformed": "yes", "ride": "no"}},
	{name: "stops half-way", at: "heel_cord", says: "stop"},
	{name: "goes back", person: talk.Person{"lateral_malleolus": "yes"}, at: "navicular", says: "back"},
}

// settings keep the talk in a folder of the test.
func settings(t *testing.T) talk.Settings {
	t.Helper()
	set := talk.Home()
	set.Data, set.Quiet = talk.Folder(t), true
	return set
}

// line is the next line in, from the question that is open; false where day 0
// is over.
func (l *life) line(s *talk.Session, typed *bool) (string, bool) {
	switch ask := s.Ask; {
	case ask == nil:
		return "", false
	case ask.Fact() == l.at && !*typed:
		*typed = true
		return say(l.says), true
	case ask.Kind == "next" || ask.Fact() == "no_cold":
		return "", false
	default:
		return l.person.Line(ask), true
	}
}

func say(text string) string {
	data, err := json.Marshal(map[string]string{"say": text})
	if err != nil {
		panic(err) // a string always can be written
	}
	return string(data)
}

// left is what a killed program has left in its folder.
type left struct {
	episode care.Episode
	log     []care.Line
	cards   []record.Card
}

// look opens the folder of a program that is not running, checks every page
// and reads the only person in it.
func look(t *testing.T, set talk.Settings) left {
	t.Helper()
	s := house.OpenFolder(t, set.Data, nil, func() time.Time { return monday })
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	if err := s.Bolt.Check(t.Context()); err != nil {
		t.Errorf("the store is damaged: %v", err)
	}
	var l left
	for person, err := range s.People(t.Context()) {
		if err != nil {
			t.Fatal(err)
		}
		l.read(t, s, person)
	}
	named, err := s.List(t.Context(), record.CardPrefix)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range named {
		c, err := record.DecodeCard(n.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		l.cards = append(l.cards, c)
	}
	return l
}

func (l *left) read(t *testing.T, s *house.Folder, person string) {
	t.Helper()
	stored, err := s.Load(t.Context(), person)
	if err != nil {
		t.Fatal(err)
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	l.episode = r.Episode
	lines, err := s.Log(t.Context(), person)
	if err != nil {
		t.Fatal(err)
	}
	for _, raw := range lines {
		var line care.Line
		if err := json.Unmarshal(raw, &line); err != nil {
			t.Fatal(err)
		}
		l.log = append(l.log, line)
	}
}

// printed are the lines of the log that the door prints.
func (l *left) printed() (lines []care.Line) {
	for _, line := range l.log {
		switch line.Type {
		case care.LineDisposition, care.LineEscalation, care.LinePlanned, care.LineCancelled, care.LineStaff:
			lines = append(lines, line)
		}
	}
	return lines
}

// sent are the IDs of the messages that are marked as sent.
func (l *left) sent() (ids []string) {
	for _, line := range l.log {
		if line.Type == care.LineSent {
			ids = append(ids, line.ID)
		}
	}
	return ids
}

// holds fails unless everything that was printed is kept: the decisions of
// this run follow those that were there before it, in order; a message with
// ready behind it is marked as sent; what is planned and not taken back is on
// the agenda, at its time, unless its time had come; nothing was lowered.
// Of somebody who is to be forgotten nothing more is written down.
func (l *left) holds(t *testing.T, before int, lines []talk.Line, acked int, now time.Time) {
	t.Helper()
	if l.episode.Erasing {
		return
	}
	kept := l.printed()
	for i, line := range decisions(lines) {
		if before+i >= len(kept) {
			t.Errorf("printed and not kept: %s", line.Raw)
			break
		}
		if k := kept[before+i]; k.Type != line.Type || k.What != line.What || !k.Due.Equal(line.Due) || line.Type == "disposition" && k.Disposition.String() != line.Disposition {
			t.Errorf("printed %s, kept %+v", line.Raw, k)
		}
	}
	sent := l.sent()
	for _, m := range talk.Of(lines[:acked], "message") {
		if !slices.Contains(sent, m.ID) {
			t.Errorf("ready stood behind it, and it is not marked as sent: %s", m.Raw)
		}
	}
	l.agenda(t, now)
}

func decisions(lines []talk.Line) []talk.Line {
	return slices.DeleteFunc(slices.Clone(lines), func(l talk.Line) bool {
		return !slices.Contains([]string{"disposition", "escalation", "planned", "cancelled", "staff"}, l.Type)
	})
}

// agenda fails unless what the log says is planned, after now, is still to be
// done.
func (l *left) agenda(t *testing.T, now time.Time) {
	t.Helper()
	open := map[string]care.Line{}
	worst := care.Disposition(0)
	for _, line := range l.log {
		switch line.Type {
		case care.LinePlanned:
			open[line.ID] = line
		case care.LineCancelled, care.LineDropped:
			delete(open, line.ID)
		case care.LineDisposition:
			if line.Disposition < worst {
				t.Errorf("the disposition fell from %s to %s", worst, line.Disposition)
			}
			worst = line.Disposition
		}
	}
	if l.episode.Disposition < worst {
		t.Errorf("the record says %s, the log %s", l.episode.Disposition, worst)
	}
	for id, line := range open {
		at := slices.IndexFunc(l.episode.Agenda, func(it care.Item) bool { return string(it.ID) == id })
		if at < 0 && line.Due.After(now) {
			t.Errorf("%s at %v is planned and not on the agenda", line.What, line.Due)
		}
		if at >= 0 && !l.episode.Agenda[at].Due.Equal(line.Due) {
			t.Errorf("%s is planned for %v and stands on the agenda for %v", line.What, line.Due, l.episode.Agenda[at].Due)
		}
	}
}

// onTheList fails unless every escalation is on the staff list, but for what
// a forgotten person leaves behind that is no open emergency.
func (l *left) onTheList(t *testing.T) {
	t.Helper()
	for _, e := range l.episode.Escalations {
		if e.Held || e.Bare && e.State == care.StateClosed {
			continue
		}
		if !slices.ContainsFunc(l.cards, func(c record.Card) bool { return c.Escalation.ID == e.ID }) {
			t.Errorf("the escalation about %s never reached the staff list", e.What)
		}
	}
}

// ending is what a life comes to: compared between a life without a kill and
// one with many.
type ending struct {
	Disposition string
	Because     []string
	Planned     []string
	Escalations []string
}

func (l *left) ending() ending {
	e := ending{Disposition: l.episode.Disposition.String(), Because: l.episode.Because()}
	for _, it := range l.episode.Agenda {
		if it.What != care.DoSay && it.What != care.DoRaise {
			e.Planned = append(e.Planned, it.What+"@"+it.Due.UTC().Format(time.RFC3339))
		}
	}
	for _, x := range l.episode.Escalations {
		e.Escalations = append(e.Escalations, x.What+" "+x.Disposition.String())
	}
	slices.Sort(e.Planned)
	slices.Sort(e.Because)
	return e
}
