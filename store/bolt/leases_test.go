package bolt

import (
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/store"
)

func wantNext(t *testing.T, s *Store, lane store.Lane, want time.Time) {
	t.Helper()
	got, ok, err := s.NextDue(background, lane)
	if err != nil || ok != !want.IsZero() || !got.Equal(want) {
		t.Fatalf("next due: got %v, %v, %v; want %v", got, ok, err, want)
	}
}

func wantClaim(t *testing.T, s *Store, now time.Time, lane store.Lane, want int) {
	t.Helper()
	if got, err := s.Claim(background, now, lane, 100, 30*time.Second); err != nil || len(got) != want {
		t.Fatalf("claimed %q, %v; want %d", got, err, want)
	}
}

func TestALeasedPersonCountsAsDueFromTheEndOfTheLease(t *testing.T) {
	clock := newFakeClock()
	s := openWith(t, t.TempDir(), clock)
	now := clock.Now()
	mustCommit(t, s, "leased", "r", due(store.Routine, now.Add(-time.Hour)))
	wantNext(t, s, store.Routine, now.Add(-time.Hour))
	wantClaim(t, s, now, store.Routine, 1)
	wantNext(t, s, store.Routine, now.Add(30*time.Second))
	mustCommit(t, s, "sooner", "r", due(store.Routine, now.Add(10*time.Second)))
	wantNext(t, s, store.Routine, now.Add(10*time.Second))
	mustCommit(t, s, "sooner", "r", due(store.Routine, now.Add(time.Minute)))
	wantNext(t, s, store.Routine, now.Add(30*time.Second))

	clock.Move(-time.Hour) // set back: the lease begins anew, and nothing waits for an hour
	wantNext(t, s, store.Routine, clock.Now().Add(30*time.Second))
	clock.Move(20 * time.Second)
	wantNext(t, s, store.Routine, clock.Now().Add(10*time.Second))
	wantClaim(t, s, clock.Now(), store.Routine, 0)
	clock.Move(10 * time.Second)
	wantClaim(t, s, clock.Now(), store.Routine, 1)
}

func TestWhatIsDueByTheClockIsClaimedByTheClock(t *testing.T) {
	clock := newFakeClock()
	s := openWith(t, t.TempDir(), clock)
	mustCommit(t, s, "p", "r", due(store.Routine, clock.Now().Add(30*time.Minute)))
	wantClaim(t, s, clock.Now(), store.Routine, 0)
	clock.Move(time.Hour)
	wantClaim(t, s, clock.Now(), store.Routine, 1)
	mustCommit(t, s, "p", "r", due(store.Routine, clock.Now().Add(-time.Minute)))
	clock.Move(-time.Hour) // before what is due: it waits for its moment
	wantClaim(t, s, clock.Now(), store.Routine, 0)
	wantNext(t, s, store.Routine, clock.Now().Add(59*time.Minute))
}

func TestNothingIsDueOrGoneWithinTheMillisecondBefore(t *testing.T) {
	clock := newFakeClock()
	s := openWith(t, t.TempDir(), clock)
	at := clock.Now().Add(800 * time.Microsecond)
	mustCommit(t, s, "p", "r", func(w *store.Write) {
		w.Due[store.Urgent] = at
		w.Named = []store.NamedWrite{{Key: "k", Bytes: []byte("v"), Expires: at}}
	})
	for _, want := range []int{0, 0, 1} { // at 0, 600 and 1200 microseconds
		wantClaim(t, s, clock.Now(), store.Urgent, want)
		if _, _, ok, err := s.Get(background, "k"); ok != (want == 0) || err != nil {
			t.Errorf("at %v the value is there: %v, %v", clock.Now(), ok, err)
		}
		clock.Move(600 * time.Microsecond)
	}
}

func TestALeaseRunsByTheMonotonicClockAndByTheCalendar(t *testing.T) {
	from := time.Now() // with a monotonic reading
	for _, c := range []struct {
		name string
		now  time.Time
		over bool
	}{
		{"within", from.Add(29 * time.Second), false},
		{"after", from.Add(30 * time.Second), true},
		{"within, by the calendar alone", from.Round(0).Add(29 * time.Second), false},
		{"after, by the calendar alone", from.Round(0).Add(30 * time.Second), true},
		{"set back, by the calendar alone", from.Round(0).Add(-time.Hour), false},
	} {
		l := newLeases()
		l.held[store.Urgent]["p"] = lease{from, 30 * time.Second}
		if over := l.left(store.Urgent, "p", c.now) <= 0; over != c.over {
			t.Errorf("%s: over is %v, want %v", c.name, over, c.over)
		}
	}
}

func TestWhoIsBeingCommittedIsPassedOverAndTheWaiterToldLater(t *testing.T) {
	clock := newFakeClock()
	s := openWith(t, t.TempDir(), clock)
	mustCommit(t, s, "p", "r", due(store.Urgent, clock.Now().Add(-time.Hour)))
	group := []change{newCommit(write("p"))}
	s.leases.hold(group)
	wantClaim(t, s, clock.Now(), store.Urgent, 0)
	wantNext(t, s, store.Urgent, time.Time{})
	s.leases.letGo()
	wantClaim(t, s, clock.Now(), store.Urgent, 1)

	s.leases.hold(group)
	wantClaim(t, s, clock.Now(), store.Urgent, 0)
	if !s.leases.settle(nil) {
		t.Error("a claim passed somebody over and nobody is woken")
	}
	if s.leases.settle(nil) {
		t.Error("woken twice for the same")
	}
}

func TestACommitThatTakesALeaseWakesNobody(t *testing.T) {
	s := openWith(t, t.TempDir(), nil)
	mustCommit(t, s, "p", "r", func(w *store.Write) {
		w.Due[store.Urgent], w.Lease[store.Urgent] = w.Now, time.Hour
	})
	select {
	case <-s.Wake():
		// NextDue could not have named the end of the lease before, so one ring is right.
	default:
		t.Error("the end of the first lease was not announced")
	}
	mustCommit(t, s, "p", "r", func(w *store.Write) {
		w.Due[store.Urgent], w.Lease[store.Urgent] = w.Now, 2*time.Hour
	})
	mustCommit(t, s, "p", "r", nil)
	select {
	case <-s.Wake():
		t.Error("woken although nobody became claimable earlier")
	default:
	}
}

// A commit that takes the lease itself must never be seen as due by others,
// not even between the moment when it is durable and its lease.
func TestALeasedCommitIsNeverClaimedByAnother(t *testing.T) {
	s := openWith(t, t.TempDir(), nil)
	var stop atomic.Bool
	var claimers sync.WaitGroup
	for range 4 {
		claimers.Go(func() {
			for !stop.Load() {
				got, err := s.Claim(background, time.Now(), store.Urgent, 10, time.Nanosecond)
				if err != nil || len(got) > 0 {
					t.Errorf("claimed %q, %v", got, err)
					return
				}
			}
		})
	}
	for range 100 {
		mustCommit(t, s, "p", "r", func(w *store.Write) {
			w.Due[store.Urgent], w.Lease[store.Urgent] = w.Now.Add(-time.Second), time.Hour
		})
	}
	stop.Store(true)
	claimers.Wait()
}
