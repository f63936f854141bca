package redis_test

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/outbox"
	"turnstone/record"
	"turnstone/store"
	"turnstone/tests/house"
	"turnstone/tests/redis/servers"
)

// A slow channel lets out fifty messages a second.
type slow struct {
	*house.Mailbox
	sent atomic.Int64
}

const (
	second = 50
	pace   = time.Second / second
)

func (s *slow) Send(ctx context.Context, m outbox.Message) error {
	time.Sleep(pace)
	defer s.sent.Add(1)
	return s.Mailbox.Send(ctx, m)
}

// due makes a person to whom something is due now, as a process leaves it that
// has died.
func (s *scene) due(person string, urgent bool) error {
	caller := house.Caller(care.PersonID(person), "en", "PT")
	r := record.Record{Address: caller.Address, Account: person, Episode: s.Flow.Begin(flow.Start{ID: care.EpisodeID(person), Locale: caller.Locale, Zone: caller.Zone, ZoneSet: true, Region: caller.Region, Now: time.Now()})}
	r.Episode.Agenda = []care.Item{{
		ID: care.ItemID(person + "-1"), What: care.DoSay, Due: time.Now(), Urgent: urgent,
		Say: &care.Message{Lines: []care.Sentence{{Key: "greeting"}}},
	}}
	w, err := record.Write(care.PersonID(person), store.Etag{}, record.Nonce(), r, nil, time.Now())
	if err != nil {
		return err
	}
	w.Lease = [2]time.Duration{}
	return s.store.Commit(context.Background(), w)
}

// Fault 26: thousands are due in one minute (fifty thousand with
// TURNSTONE_LONG=1), the channel lets out fifty a second, and somebody types an
// emergency, while something urgent of another was left behind by a process that
// has died. Both are out before the channel has let out a second's worth; nobody
// reads anything twice, and those who wait take no memory.
func TestHAZ07_AnEmergencyBehindAHerd(t *testing.T) {
	people := 3000
	if os.Getenv("TURNSTONE_LONG") != "" {
		people = 50_000
	}
	server := servers.Start(t)
	s := newScene(t, "redis://"+server.Addr())
	var next atomic.Int64
	var wg sync.WaitGroup
	for range 64 {
		wg.Go(func() {
			for i := next.Add(1); i <= int64(people); i = next.Add(1) {
				if err := s.due(fmt.Sprint("herd-", i), false); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	channel := &slow{Mailbox: s.box}
	s.Outbox.Sender = channel
	before := heap()
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Outbox.Run(ctx) }()
	servers.Until(t, "the herd moves", time.Minute, func() bool { return channel.sent.Load() > 2*second })

	at := channel.sent.Load()
	if err := s.hand(1, care.Event{ID: "1", Kind: care.Said, Text: "i can't breathe"}); err != nil {
		t.Fatal(err)
	}
	if passed := channel.sent.Load() - at; passed > second {
		t.Errorf("%d messages went out until the card of a typed emergency", passed)
	}
	at = channel.sent.Load()
	if err := s.due("left", true); err != nil {
		t.Fatal(err)
	}
	servers.Until(t, "what was left behind goes out", time.Minute, func() bool {
		return slices.ContainsFunc(s.box.Sent(), func(m outbox.Message) bool { return m.Person == "left" })
	})
	if passed := channel.sent.Load() - at; passed > second {
		t.Errorf("%d messages went out until the urgent one of a process that died", passed)
	}

	servers.Until(t, "the herd moves on", time.Minute, func() bool { return channel.sent.Load() > at+4*second })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if grown := int64(heap()) - int64(before); grown > 32<<20 {
		t.Errorf("%d MB more are in use", grown>>20)
	}
	sent := map[care.ItemID]int{}
	for _, m := range s.box.Sent() {
		if sent[m.ID]++; sent[m.ID] > 1 {
			t.Errorf("message %s went out %d times", m.ID, sent[m.ID])
		}
	}
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
