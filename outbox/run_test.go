package outbox_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"turnstone/care"
	"turnstone/outbox"
	"turnstone/record"
)

// running starts Run in a bubble, on the bubble's clock, and ends it.
func running(t *testing.T, lead func(*bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newBenchAt(t, time.Now)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- b.Run(ctx) }()
		synctest.Wait()
		lead(b)
		stop()
		if err := <-ended; err != nil {
			t.Errorf("Run ended with %v", err)
		}
	})
}

// pass lets the bubble's clock go on.
func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

// The clock of a bubble begins at midnight UTC 2000-01-01.
func in(d time.Duration) time.Time { return time.Now().Add(d) }

func TestTheLoopWakesWhatIsDueAtItsTime(t *testing.T) {
	running(t, func(b *bench) {
		began := time.Now()
		b.put("p", care.Home, check("p-1", in(time.Hour)), urgent(check("p-2", in(50*time.Hour))))
		pass(time.Hour - time.Millisecond)
		if len(b.awake()) > 0 {
			t.Errorf("too early, after %v: %v", time.Since(began), b.awake())
		}
		pass(20 * time.Millisecond)
		if !slices.Equal(b.awake(), []string{"p-1"}) {
			t.Errorf("after an hour: %v", b.awake())
		}
		pass(49 * time.Hour)
		if !slices.Equal(b.awake(), []string{"p-1", "p-2"}) {
			t.Errorf("after 50 hours: %v", b.awake())
		}
	})
}

// Something that becomes due earlier than the loop meant to wake is not missed.
func TestTheLoopIsWokenByACommit(t *testing.T) {
	running(t, func(b *bench) {
		b.put("p", care.Home, check("p-1", in(500*time.Hour)))
		pass(time.Minute)
		b.put("q", care.Home, check("q-1", in(5*time.Millisecond)))
		pass(30 * time.Millisecond)
		if !slices.Equal(b.awake(), []string{"q-1"}) {
			t.Errorf("woken %v, want q-1 at once", b.awake())
		}
	})
}

// A commit whose process died before it could send leaves its items to the
// loop: a card goes out within eight seconds, once.
func TestTheLoopSendsWhatADeadProcessLeft(t *testing.T) {
	running(t, func(b *bench) {
		b.put("p", care.Home, urgent(say("p-1", "greeting"))) // the commit took the lease, and nobody delivers
		pass(record.UrgentLease - 100*time.Millisecond)
		if len(b.sent()) > 0 {
			t.Error("the lease of the commit was not kept")
		}
		pass(8*time.Second - record.UrgentLease)
		b.want("p-1")
	})
}

// A channel that comes back gets everything, in order, once.
func TestTheLoopGoesOnWhenTheChannelIsBack(t *testing.T) {
	running(t, func(b *bench) {
		b.box.Failing(func(outbox.Message) error { return errors.New("the channel is down") })
		b.put("p", care.Home, urgent(say("p-1", "greeting")), urgent(say("p-2", "cmd.help")))
		pass(10 * time.Minute)
		b.box.Failing(nil)
		pass(2 * record.UrgentLease)
		b.want("p-1", "p-2")
	})
}

// A store that comes back is asked again: no error ends the loop.
func TestTheLoopGoesOnWhenTheStoreIsBack(t *testing.T) {
	running(t, func(b *bench) {
		b.store.failing(func(string) error { return errDown })
		b.put("p", care.Home, urgent(say("p-1", "greeting")))
		pass(time.Hour)
		b.store.failing(nil)
		pass(2 * record.UrgentLease)
		b.want("p-1")
	})
}

// slow is a channel that takes its time for each message, or hangs until the
// sending is given up.
type slow struct {
	outbox.Sender
	takes func(outbox.Message) time.Duration
}

func (s *slow) Send(ctx context.Context, m outbox.Message) error {
	select {
	case <-time.After(s.takes(m)):
		return s.Sender.Send(ctx, m)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Behind hundreds of routine messages through a channel of fifty a second, an
// urgent one waits for the message that is on its way and no longer.
func TestUrgentIsNotBehindRoutine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBenchAt(t, time.Now)
		b.Sender = &slow{b.box, func(outbox.Message) time.Duration { return 20 * time.Millisecond }}
		for i := range 500 {
			b.put(care.PersonID(fmt.Sprintf("r%03d", i)), care.Home, say(fmt.Sprintf("r%03d-1", i), "greeting"))
		}
		pass(record.RoutineLease + time.Second)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- b.Run(ctx) }()
		pass(3*time.Second + 10*time.Millisecond) // in the middle of a batch
		began := time.Now()
		b.put("u", care.Home, urgent(check("u-1", began)))
		b.store.Release("u", 0) // its own process is dead
		for len(b.awake()) == 0 {
			pass(10 * time.Millisecond)
			if time.Since(began) > time.Minute {
				t.Fatal("the urgent item never came")
			}
		}
		if late := time.Since(began); late > 50*time.Millisecond {
			t.Errorf("the urgent item came after %v, want the 20 ms of one message, or little more", late)
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// A channel that hangs is given up after its time-out: ten seconds for what is
// routine, one and a half for what is urgent.
func TestAHangingChannelIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBenchAt(t, time.Now)
		b.Sender = &slow{b.box, func(outbox.Message) time.Duration { return time.Hour }}
		b.put("p", care.Home, say("p-1", "greeting"))
		b.put("q", care.Home, urgent(say("q-1", "greeting")))
		for person, want := range map[care.PersonID]time.Duration{"p": 10 * time.Second, "q": 1500 * time.Millisecond} {
			began := time.Now()
			if err := b.Deliver(t.Context(), person); !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("%s: got %v", person, err)
			}
			if took := time.Since(began); took != want {
				t.Errorf("%s: given up after %v, want %v", person, took, want)
			}
		}
	})
}

// How long an urgent item of one person can wait while the channel hangs on
// routine messages of others. One loop serves both: the time-out of a routine
// send is the bound.
func TestUrgentBehindAHangingRoutineMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBenchAt(t, time.Now)
		b.Sender = &slow{b.box, func(outbox.Message) time.Duration { return time.Hour }}
		for i := range 20 {
			b.put(care.PersonID(fmt.Sprintf("r%02d", i)), care.Home, say(fmt.Sprintf("r%02d-1", i), "greeting"))
		}
		pass(record.RoutineLease + time.Second)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- b.Run(ctx) }()
		pass(time.Second)
		began := time.Now()
		b.put("u", care.Home, urgent(check("u-1", began)))
		b.store.Release("u", 0)
		for len(b.awake()) == 0 && time.Since(began) < 5*time.Minute {
			pass(100 * time.Millisecond)
		}
		if late := time.Since(began); late > 11*time.Second {
			t.Errorf("the urgent item waited %v for a channel that hangs, want one routine time-out (10 s) at most", late)
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// Side by side, a slow channel holds up each person for themselves alone, and
// nobody is written to in another order.
func TestManyAreWrittenToSideBySide(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBenchAt(t, time.Now)
		b.AtOnce = 16
		const call, people = 100 * time.Millisecond, 40
		b.Sender = &slow{b.box, func(outbox.Message) time.Duration { return call }}
		for n := range people {
			who := care.PersonID(fmt.Sprintf("p%02d", n))
			b.put(who, care.Home, say(string(who)+"-1", "greeting"), say(string(who)+"-2", "limits"))
		}
		time.Sleep(record.RoutineLease + time.Second)
		begun := time.Now()
		if err := b.sweep(); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begun); took > 2*call*(people/16+1) {
			t.Errorf("%d people with two messages each took %v, as if one after another", people, took)
		}
		order := map[care.PersonID][]string{}
		for _, m := range b.box.Sent() {
			order[m.Person] = append(order[m.Person], string(m.ID))
		}
		for who, ids := range order {
			if want := []string{string(who) + "-1", string(who) + "-2"}; !slices.Equal(ids, want) {
				t.Errorf("%s was sent %v", who, ids)
			}
		}
		if len(order) != people {
			t.Errorf("%d people were written to", len(order))
		}
	})
}
