package outbox_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnstone/care"
	"turnstone/outbox"
	"turnstone/record"
)

// TestAnythingDueIsDeliveredAtLeastOnce puts random items on random agendas
// while the store and the channel fail at random and the clock moves, also
// back. When everything is well again each message has been sent at least once
// under its own ID, the first sendings of a person and lane came in the order
// of their making, each item was woken exactly once it was done, and nothing
// was invented.
//
// The method is that of J. Hughes, "QuickCheck Testing for Fun and Profit", 2007.
func TestAnythingDueIsDeliveredAtLeastOnce(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		b := newBench(t)
		dice := rand.New(rand.NewPCG(rapid.Uint64().Draw(r, "dice"), 1))
		storeFails, channelFails := rapid.IntRange(0, 3).Draw(r, "store"), rapid.IntRange(0, 3).Draw(r, "channel")
		well := false
		b.store.failing(func(string) error {
			if !well && dice.IntN(10) < storeFails {
				return errDown
			}
			return nil
		})
		b.box.Fail = func(outbox.Message) error {
			if !well && dice.IntN(10) < channelFails {
				return errors.New("the channel is down")
			}
			return nil
		}
		made := map[string][]string{} // IDs of messages, by person and lane, in order
		var checks []string
		for n := range rapid.IntRange(1, 40).Draw(r, "steps") {
			person := care.PersonID(rapid.SampledFrom([]string{"p", "q", "r"}).Draw(r, "person"))
			id := fmt.Sprintf("%s-%03d", person, n)
			switch rapid.IntRange(0, 5).Draw(r, "step") {
			case 0, 1:
				it := say(id, "greeting")
				it.Urgent = rapid.Bool().Draw(r, "urgent")
				b.put(person, care.Home, it)
				lane := fmt.Sprint(person, " ", it.Urgent)
				made[lane] = append(made[lane], id)
			case 2:
				b.put(person, care.Home, check(id, b.clock.Now().Add(time.Duration(rapid.IntRange(0, 90).Draw(r, "minutes"))*time.Minute)))
				checks = append(checks, id)
			case 3:
				b.clock.Pass(time.Duration(rapid.IntRange(-30, 90).Draw(r, "minutes pass")) * time.Minute)
			case 4:
				_ = b.Deliver(context.Background(), person) // what fails is tried again
			default:
				_ = b.sweep()
			}
		}
		well = true
		for range 4 {
			b.clock.Pass(2 * time.Hour)
			if err := b.sweep(); err != nil {
				r.Fatalf("with everything well: %v", err)
			}
		}
		var all []string
		for lane, ids := range made {
			if first := firsts(b.box.Sent(), ids); !slices.Equal(first, ids) {
				r.Errorf("%s: sent first in the order %v, made in the order %v", lane, first, ids)
			}
			all = append(all, ids...)
		}
		for _, id := range b.sent() {
			if !slices.Contains(all, id) {
				r.Errorf("%s was sent and never made", id)
			}
		}
		for _, id := range checks {
			if n := len(slices.DeleteFunc(b.awake(), func(w string) bool { return w != id })); n != 1 {
				r.Errorf("%s was woken %d times", id, n)
			}
		}
		for _, p := range []care.PersonID{"p", "q", "r"} {
			if rec, _ := b.read(p); len(rec.Episode.Agenda) > 0 {
				r.Errorf("left on the agenda of %s: %v", p, rec.Episode.Agenda)
			}
		}
	})
}

// firsts are the IDs of a list in the order in which each was sent first.
func firsts(sent []outbox.Message, of []string) (order []string) {
	for _, m := range sent {
		if id := string(m.ID); slices.Contains(of, id) && !slices.Contains(order, id) {
			order = append(order, id)
		}
	}
	return order
}

// What one person is sent stands in no record of another.
func TestARecordIsItsOwn(t *testing.T) {
	b := newBench(t)
	for _, p := range []care.PersonID{"p", "q"} {
		b.put(p, care.Home, say(string(p)+"-1", "greeting"), say(string(p)+"-2", "cmd.help"))
	}
	b.free()
	if err := b.sweep(); err != nil {
		t.Fatal(err)
	}
	for _, m := range b.box.Sent() {
		if !strings.HasPrefix(string(m.ID), string(m.Person)) || m.Address != "test:"+string(m.Person) {
			t.Errorf("message %s went to %s at %s", m.ID, m.Person, m.Address)
		}
	}
	if r, _ := b.read("p"); r.Episode.ID != "p" || record.LaneOf(care.Item{}) != 1 {
		t.Errorf("the record of p is %+v", r)
	}
}
