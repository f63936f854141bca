package intake_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/store"
)

// A hung store answers nothing while it hangs. A deaf one does not even end
// with its context, as a read from a disk that is gone; a late one does what it
// was asked when nobody waits for the answer any more.
type hung struct {
	*weak
	mu   sync.Mutex
	over chan struct{} // closed when it answers again; nil: it answers
	deaf bool
	late bool // a commit happens first, and its answer hangs
}

func (h *hung) hang(deaf, late bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.over, h.deaf, h.late = make(chan struct{}), deaf, late
}

func (h *hung) answer() {
	h.mu.Lock()
	defer h.mu.Unlock()
	close(h.over)
	h.over = nil
}

func (h *hung) wait(ctx context.Context) error {
	h.mu.Lock()
	over, deaf := h.over, h.deaf
	h.mu.Unlock()
	if over == nil {
		return nil
	}
	ended := ctx.Done()
	if deaf {
		ended = nil
	}
	select {
	case <-over:
		return nil
	case <-ended:
		return errors.Join(store.ErrDown, ctx.Err())
	}
}

func (h *hung) Load(ctx context.Context, person string) (store.Record, error) {
	h.mu.Lock()
	late := h.late
	h.mu.Unlock()
	if !late {
		if err := h.wait(ctx); err != nil {
			return store.Record{}, err
		}
	}
	return h.weak.Load(ctx, person)
}

func (h *hung) Get(ctx context.Context, key string) ([]byte, uint64, bool, error) {
	h.mu.Lock()
	late := h.late
	h.mu.Unlock()
	if !late {
		if err := h.wait(ctx); err != nil {
			return nil, 0, false, err
		}
	}
	return h.weak.Get(ctx, key)
}

func (h *hung) Commit(ctx context.Context, w store.Write) error {
	h.mu.Lock()
	late := h.late
	h.mu.Unlock()
	if late {
		return errors.Join(h.weak.Commit(ctx, w), h.wait(ctx))
	}
	if err := h.wait(ctx); err != nil {
		return err
	}
	return h.weak.Commit(ctx, w)
}

// A store that hangs holds no emergency up: the fixed card goes out within the
// two seconds of a channel, once, whatever is delivered again; and everything
// follows when the store answers. The clock is a fake one (testing/synctest).
func TestHAZ07_CardWhenTheStoreHangs(t *testing.T) {
	for name, h := range map[string]struct{ deaf, late bool }{
		"it ends with the context": {}, "it hears nothing": {deaf: true}, "it commits, and does not say so": {late: true},
	} {
		t.Run(name, func(t *testing.T) {
			p := newBench(t) // reads its parts outside of the fake time
			synctest.Test(t, func(t *testing.T) { cardWhileHung(t, p, h.deaf, h.late) })
		})
	}
}

func cardWhileHung(t *testing.T, b *bench, deaf, late bool) {
	s := &hung{weak: b.store}
	b.Intake.Store, b.Outbox.Store = s, s
	const people = 20
	for i := range people {
		b.toTheSide(care.PersonID(fmt.Sprint("p", i)))
	}
	s.hang(deaf, late)
	hand := func(i int) error {
		person := care.PersonID(fmt.Sprint("p", i))
		begun := time.Now()
		err := b.Intake.Handle(context.Background(), caller(person), care.Event{ID: care.EventID("danger of " + person), Kind: care.Said, Text: typed})
		if took := time.Since(begun); took > 2*time.Second {
			t.Errorf("%s waited %v", person, took)
		}
		return err
	}
	var wg sync.WaitGroup
	for i := range people {
		wg.Go(func() {
			for range 3 { // delivered thrice
				if err := hand(i); !errors.Is(err, store.ErrDown) && !errors.Is(err, intake.ErrSeen) {
					t.Errorf("got %v, want that the store is down", err)
				}
			}
		})
	}
	wg.Wait()
	once := map[care.ItemID]int{}
	for _, m := range b.box.Cards() {
		once[m.ID]++
	}
	if len(once) != people {
		t.Errorf("%d of %d have a card", len(once), people)
	}
	for range 5 {
		b.Intake.Retry(context.Background()) // hangs, and ends in time
	}
	s.answer()
	synctest.Wait() // whoever hung goes on
	for range 3 {
		b.Intake.Retry(context.Background())
		b.clock.Pass(6 * time.Second)
		if _, err := b.Outbox.Sweep(context.Background()); err != nil {
			t.Error(err)
		}
	}
	sent := map[string]int{}
	for _, m := range b.box.Sent() {
		sent[fmt.Sprint(m.Person, " ", m.ID)]++
	}
	for m, n := range sent {
		if n > 1 {
			t.Errorf("message %s was sent %d times", m, n)
		}
	}
	for i := range people {
		b.wantEmergency(care.PersonID(fmt.Sprint("p", i)))
		if err := hand(i); !errors.Is(err, intake.ErrSeen) {
			t.Errorf("delivered once more: got %v, want that it was seen", err)
		}
	}
	for id, n := range once {
		if n > 1 {
			t.Errorf("the fixed card %s went out %d times", id, n)
		}
	}
	if n := len(b.box.Cards()); n != people {
		t.Errorf("%d fixed cards for %d people", n, people)
	}
}
