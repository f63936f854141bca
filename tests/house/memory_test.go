package house

import (
	"testing"
	"time"

	"turnstone/store/storetest"
)

// The store in memory must keep the promise that the real ones keep, or what
// is shown on it shows nothing.
func TestTheMemoryKeepsThePromise(t *testing.T) {
	open := func(t *testing.T) *storetest.Subject {
		clock := NewClock(time.Date(2026, 3, 28, 18, 0, 0, 0, time.UTC))
		m := NewMemory(clock.Now)
		s := &storetest.Subject{Store: m, Now: clock.Now, Pass: clock.Pass, Jump: clock.Pass, Lease: 30 * time.Second, LeasesSurvive: true}
		s.Crash = func() storetest.Store { return m }
		return s
	}
	storetest.Run(t, open)
	storetest.RunMoving(t, open)
}
