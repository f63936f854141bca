// Package redis_test is the house on real Redis servers that fail.
package redis_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/record"
	"turnstone/store/redis"
	"turnstone/tests/house"
	"turnstone/tests/redis/servers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// late is more than twice the time after which intake gives a turn up, and less
// than a store is asked in vain without it.
const late = 4 * time.Second

// A scene is the house on a store at an address.
type scene struct {
	*house.House
	t     *testing.T
	store *redis.Store
	box   *house.Mailbox
}

func newScene(t *testing.T, address string) *scene {
	t.Helper()
	p, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	a, err := redis.ParseAddress(address)
	if err != nil {
		t.Fatal(err)
	}
	s, err := redis.Open(t.Context(), a, redis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	box := &house.Mailbox{Card: p.FixedCard}
	return &scene{House: house.Build(p, s, box, time.Now, slog.New(slog.DiscardHandler)), t: t, store: s, box: box}
}

func who(i int) intake.Caller {
	return house.Caller(care.PersonID(fmt.Sprint("p", i)), "en", "PT")
}

// hand gives person i an event.
func (s *scene) hand(i int, ev care.Event) error {
	return s.Intake.Handle(context.Background(), who(i), ev)
}

const people = 50

// Fault 15, and a network that passes nothing on: with the server frozen, or
// behind a broken switch, everybody who types an emergency has the fixed card
// in time; nothing piles up; and when the server answers again everything
// follows, once. What was frozen on its way commits then, late.
func TestHAZ07_CardWhenTheServerHangs(t *testing.T) {
	server := servers.Start(t, "appendonly yes", "appendfsync always")
	proxy := servers.StartProxy(t, server.Addr())
	for name, h := range map[string]struct{ hang, answer func() error }{
		"frozen": {server.Freeze, server.Thaw},
		"parted": {func() error { proxy.Part(true); return nil }, func() error { proxy.Part(false); return nil }},
	} {
		t.Run(name, func(t *testing.T) {
			server.Do(t, "FLUSHALL")
			s := newScene(t, "redis://"+proxy.Addr())
			for i := range people {
				if err := s.hand(i, care.Event{ID: "0", Kind: care.Opened}); err != nil {
					t.Fatal(err)
				}
			}
			if err := h.hang(); err != nil {
				t.Fatal(err)
			}
			for again := range 3 { // delivered thrice
				s.everybodyHasACard(again)
			}
			servers.Until(t, "what hung has ended", 20*time.Second, func() bool { return turns() == 0 })
			if err := h.answer(); err != nil {
				t.Fatal(err)
			}
			s.everythingFollows()
		})
	}
}

// turns is how many emergencies' turns are going on or hang.
func turns() int {
	all := make([]byte, 1<<24)
	return strings.Count(string(all[:runtime.Stack(all, true)]), "turnstone/intake.inTime.func")
}

func (s *scene) everybodyHasACard(again int) {
	var wg sync.WaitGroup
	for i := range people {
		wg.Go(func() {
			begun := time.Now()
			err := s.hand(i, care.Event{ID: "1", Kind: care.Said, Text: "i can't breathe"})
			if took := time.Since(begun); err == nil || took > late {
				s.t.Errorf("%d: %v after %v", i, err, took)
			}
		})
	}
	wg.Wait()
	if n := len(s.box.Cards()); n != people {
		s.t.Errorf("%d of %d have the fixed card, delivered %d times", n, people, again+1)
	}
}

func (s *scene) everythingFollows() {
	ctx := context.Background()
	servers.Until(s.t, "everybody's item is on the staff list", time.Minute, func() bool {
		s.Intake.Retry(ctx)
		cards, err := s.store.List(ctx, record.CardPrefix)
		return err == nil && len(cards) == people
	})
	servers.Until(s.t, "nothing is due any more", time.Minute, func() bool {
		_, err := s.Outbox.Sweep(ctx)
		return err == nil && s.done(ctx)
	})
	sent := map[string]int{}
	for _, m := range s.box.Sent() {
		sent[fmt.Sprint(m.Person, " ", m.ID)]++
	}
	for m, n := range sent {
		if n > 1 {
			s.t.Errorf("message %s was sent %d times", m, n)
		}
	}
	for i := range people {
		if err := s.hand(i, care.Event{ID: "1", Kind: care.Said, Text: "i can't breathe"}); !errors.Is(err, intake.ErrSeen) {
			s.t.Errorf("%d, delivered again: got %v, want that it was seen", i, err)
		}
		log, err := s.store.Log(ctx, string(who(i).Person))
		if n := strings.Count(fmt.Sprintf("%s", log), `"escalation"`); err != nil || n != 1 {
			s.t.Errorf("%d: %d escalations are in the log, %v", i, n, err)
		}
	}
	if n := len(s.box.Cards()); n != people {
		s.t.Errorf("%d fixed cards for %d people", n, people)
	}
}

// done tells that nobody has anything due but what is due later.
func (s *scene) done(ctx context.Context) bool {
	next, ok := s.Outbox.Next(ctx)
	return !ok || next.After(time.Now().Add(30*time.Second))
}
