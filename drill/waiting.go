package drill

import (
	"context"
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"turnstone/adapters/discord"
	"turnstone/care"
	"turnstone/flow"
	"turnstone/record"
	"turnstone/store"
)

// A Flow decides what an event comes to, as in the program.
type Flow interface {
	Begin(s flow.Start) care.Episode
	Step(ep care.Episode, ev care.Event, found care.Finding, now time.Time) (care.Change, error)
}

// A Store takes the people that wait.
type Store interface {
	Commit(ctx context.Context, w store.Write) error
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
}

// A House is an open store, and how the program keeps people in it.
type House struct {
	Flow   Flow
	Store  Store
	Person func(account string) care.PersonID
	Close  func() error
}

// A waiting is somebody who talked two days ago, and whose check is due.
type waiting struct {
	account string
	channel string // of the direct message
	due     time.Time
	zone    string
}

// zones are tried in turn: a check is due by day where the person is.
var zones = []string{"Europe/Lisbon", "America/New_York", "America/Los_Angeles", "Pacific/Auckland", "Asia/Tokyo"}

// zoneOfDay is a zone in which it is daytime at a moment.
func zoneOfDay(at time.Time) (string, error) {
	for _, name := range zones {
		z, err := time.LoadLocation(name)
		if err != nil {
			return "", err
		}
		if h := at.In(z).Hour(); h >= 9 && h < 18 {
			return name, nil
		}
	}
	return "", fmt.Errorf("it is daytime nowhere at %v", at)
}

// A check is due two days after the injury, and everybody says that theirs was
// two hours before they wrote.
const (
	checkName = "day_2"
	talked    = 46 * time.Hour // before the check
)

// played is the record of somebody whose whole first talk is played by the
// flow, on a clock that stands where the check will be due when it should.
func (w *waiting) played(f Flow, person care.PersonID) (record.Record, []care.Line, error) {
	now := w.due.Add(-talked)
	sum := sha256.Sum256([]byte(person))
	r := record.Record{Address: "discord:" + w.account, Account: string(person), Episode: f.Begin(flow.Start{
		ID: care.EpisodeID(strings.ToLower(base32.StdEncoding.EncodeToString(sum[:10]))), Locale: "en", Zone: w.zone, ZoneSet: true, Region: "PT", Server: server, Now: now,
	})}
	var log []care.Line
	ev := care.Event{Kind: care.Opened}
	for n := range 100 {
		ev.ID = care.EventID(fmt.Sprintf("discord/%s/%d", w.account, n))
		change, err := f.Step(r.Episode, ev, care.Finding{}, now)
		if err != nil {
			return r, nil, fmt.Errorf("somebody who is to wait: %w", err)
		}
		r.Episode, log = change.Episode, append(log, change.Log...)
		r.Note(ev.ID)
		r.Episode.Agenda = slices.DeleteFunc(r.Episode.Agenda, func(it care.Item) bool { return it.What == care.DoSay || it.What == care.DoRaise }) // said and raised
		if r.Episode.Ask == nil {
			break
		}
		ev = answerAsk(r.Episode.Ask)
	}
	for _, it := range r.Episode.Agenda {
		if it.What == checkName && it.Due.Sub(w.due).Abs() < time.Second {
			return r, log, nil
		}
	}
	return r, nil, fmt.Errorf("no check is due at %v after a whole talk; on the agenda is %+v", w.due, r.Episode.Agenda)
}

// answerAsk answers a question of the flow as somebody with a plain sprain.
func answerAsk(ask *care.Ask) care.Event {
	said := map[care.Fact]string{"age_years": "34", "injured_at": "2 hours ago", "pain_worst": "4"}
	pressed := map[care.Fact]string{
		"consent": care.Yes, "side": "left", "where_it_hurts": "ankle", "four_steps_then": care.Yes, "four_steps_now": care.Yes, "swelling": "some", "walking": "limp",
	}
	var fact care.Fact
	if len(ask.Facts) == 1 {
		fact = ask.Facts[0]
	}
	if text := said[fact]; text != "" {
		return care.Event{Kind: care.Said, Text: text}
	}
	value := pressed[fact]
	for _, v := range []string{care.None, care.Next, care.No} {
		if value == "" && slices.ContainsFunc(ask.Choices, func(c care.Choice) bool { return c.Value == v }) {
			value = v
		}
	}
	return care.Event{Kind: care.Chose, Choices: []string{value}, Token: ask.Token}
}

// fillAtOnce is how many are put into a store side by side.
const fillAtOnce = 32

// fill puts people into a store, as the program would have left them.
func (h *House) fill(ctx context.Context, people []*waiting) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(fillAtOnce)
	for _, w := range people {
		g.Go(func() error { return h.put(ctx, w) })
	}
	return g.Wait()
}

func (h *House) put(ctx context.Context, w *waiting) error {
	person := h.Person(w.account)
	r, log, err := w.played(h.Flow, person)
	if err != nil {
		return err
	}
	write, err := record.Write(person, store.Etag{}, record.Nonce(), r, log, time.Now())
	if err != nil {
		return err
	}
	if err := h.Store.Commit(ctx, write); err != nil {
		return fmt.Errorf("put somebody into the store: %w", err)
	}
	key, note, err := discord.Kept(person, w.account, w.channel, server, "en", w.channel)
	if err != nil {
		return err
	}
	return h.Store.Put(ctx, key, note, store.AnyEtag, time.Time{})
}
