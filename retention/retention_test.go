package retention_test

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/retention"
	"turnstone/store"
	"turnstone/tests/house"
)

// settled is a store without a seal: no erasure can be left halfway.
type settled struct{ *house.Memory }

func (settled) Settle(context.Context, time.Time) error { return nil }

var begin = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

// What is past its time goes, and nothing that somebody waits for.
func TestHAZ31_RetentionTakesNothingThatSomebodyWaitsFor(t *testing.T) {
	open := []care.Escalation{{ID: "x", What: care.AboutHuman, State: care.StateOpen}}
	for name, c := range map[string]struct {
		ep    care.Episode
		line  time.Time // the last line of the log
		after time.Duration
		gone  bool
	}{
		"its time has come":          {care.Episode{Closed: true}, begin, record.KeepFinished, true},
		"a day before":               {care.Episode{Closed: true}, begin, record.KeepFinished - 24*time.Hour, false},
		"it closed later":            {care.Episode{Closed: true}, begin.Add(24 * time.Hour), record.KeepFinished, false},
		"a clinic keeps it longer":   {care.Episode{Closed: true, KeepMonths: 12}, begin, record.KeepFinished, false},
		"and no longer than that":    {care.Episode{Closed: true, KeepMonths: 12}, begin, 2 * record.KeepFinished, true},
		"a clinic keeps it for less": {care.Episode{Closed: true, KeepMonths: 1}, begin, 30 * 24 * time.Hour, true},
		"an open emergency":          {care.Episode{Open: true}, begin, 10 * record.KeepFinished, false},
		"a staff item is open":       {care.Episode{Escalations: open}, begin, 10 * record.KeepFinished, false},
		"a closed staff item":        {care.Episode{Escalations: []care.Escalation{{ID: "x", State: care.StateClosed}}}, begin, record.KeepFinished, true},
		"something is still to do":   {care.Episode{Agenda: []care.Item{{ID: "i", What: "day_2", Due: begin.AddDate(9, 0, 0)}}}, begin, 10 * record.KeepFinished, false},
		"an item that was held back": {care.Episode{Escalations: []care.Escalation{{ID: "x", Held: true}}}, begin, record.KeepFinished, true},
	} {
		t.Run(name, func(t *testing.T) {
			clock := house.NewClock(begin)
			m := house.NewMemory(clock.Now)
			c.ep.LastHeard = begin
			w, err := record.Write("p", store.Etag{}, record.Nonce(), record.Record{Episode: c.ep, Account: "p"}, []care.Line{{Type: care.LineAnswer, At: c.line}}, begin)
			if err != nil {
				t.Fatal(err)
			}
			w.Named = []store.NamedWrite{{Key: record.AccountKey("p"), Bytes: []byte("{}")}}
			for _, e := range c.ep.Escalations {
				w.Named = append(w.Named, store.NamedWrite{Key: record.CardKey(e.ID), Bytes: []byte("{}")})
			}
			if err := m.Commit(t.Context(), w); err != nil {
				t.Fatal(err)
			}
			clock.Pass(c.after)
			k := retention.Keeper{Store: settled{m}, Now: clock.Now, Log: slog.New(slog.DiscardHandler)}
			if err := k.Sweep(t.Context()); err != nil {
				t.Fatal(err)
			}
			was, err := m.Load(t.Context(), "p")
			if err != nil || (was.Bytes == nil) != c.gone {
				t.Errorf("gone %v, want %v (%v)", was.Bytes == nil, c.gone, err)
			}
			if left, err := m.List(t.Context(), ""); err != nil || (len(left) == 0) != c.gone {
				t.Errorf("%d named values are left (%v)", len(left), err)
			}
		})
	}
}
