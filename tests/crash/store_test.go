package crash

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/store"
	"turnstone/tests/house"
)

// A frail store fails when it is told to.
type frail struct {
	*house.Memory
	mu   sync.Mutex
	down map[string]bool // the calls that fail
}

var errOut = fmt.Errorf("the plug is out: %w", store.ErrDown)

func (f *frail) fails(call string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.down[call]
}

func (f *frail) set(calls ...string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.down = map[string]bool{}
	for _, c := range calls {
		f.down[c] = true
	}
}

func (f *frail) Load(ctx context.Context, person string) (store.Record, error) {
	if f.fails("load") {
		return store.Record{}, errOut
	}
	return f.Memory.Load(ctx, person)
}

func (f *frail) Get(ctx context.Context, key string) ([]byte, uint64, bool, error) {
	if f.fails("get") {
		return nil, 0, false, errOut
	}
	return f.Memory.Get(ctx, key)
}

func (f *frail) Commit(ctx context.Context, w store.Write) error {
	if f.fails("commit") {
		return errOut
	}
	err := f.Memory.Commit(ctx, w)
	if f.fails("answer") && err == nil {
		return errOut
	}
	return err
}

var monday = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

func parts(t *testing.T) *house.Parts {
	t.Helper()
	p, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestHAZ07_CardWithoutStore takes the store away in each of the ways it can
// go, in each language and with the region known and unknown: the card goes
// out once and at once, and the emergency is raised as soon as the store is
// back, once.
func TestHAZ07_CardWithoutStore(t *testing.T) {
	p := parts(t)
	typed := map[care.Locale]string{"en": "i can't breathe", "es": "no puedo respirar"}
	for _, locale := range p.Book.Locales() {
		for _, region := range []string{"PT", "US", ""} {
			for _, down := range [][]string{{"load"}, {"commit"}, {"get"}, {"load", "commit", "get"}} {
				for _, begun := range []bool{false, true} {
					t.Run(fmt.Sprint(locale, " ", region, " ", down, " begun ", begun), func(t *testing.T) {
						withoutStore(t, p, locale, region, typed[locale], down, begun)
					})
				}
			}
		}
	}
}

func withoutStore(t *testing.T, p *house.Parts, locale care.Locale, region, words string, down []string, begun bool) {
	if words == "" {
		t.Fatalf("nobody has written how somebody can't breathe in %s", locale)
	}
	clock := house.NewClock(monday)
	s := &frail{Memory: house.NewMemory(clock.Now)}
	box := &house.Mailbox{Card: p.FixedCard}
	h := house.Build(p, s, box, clock.Now, slog.New(slog.DiscardHandler))
	who := house.Caller("p", locale, region)
	ctx := t.Context()
	if begun {
		if err := h.Intake.Handle(ctx, who, care.Event{ID: "0", Kind: care.Opened}); err != nil {
			t.Fatal(err)
		}
	}

	s.set(down...)
	err := h.Intake.Handle(ctx, who, care.Event{ID: "1", Kind: care.Said, Text: words})
	if !errors.Is(err, store.ErrDown) {
		t.Errorf("got %v, want that the store is down", err)
	}
	cards := box.Cards()
	number, known := p.Numbers.Emergency(region)
	if len(cards) != 1 || cards[0].Text != p.FixedCard(locale, region) || known && !strings.Contains(cards[0].Text, number) {
		t.Fatalf("the cards are %+v", cards)
	}
	if sent := box.Sent(); len(sent) > 1 {
		t.Errorf("beside the card came %+v", sent)
	}

	s.set()
	h.Intake.Retry(ctx)
	h.Intake.Retry(ctx)
	raised(t, s.Memory, "p")
	again := h.Intake.Handle(ctx, who, care.Event{ID: "1", Kind: care.Said, Text: words})
	if again == nil {
		t.Error("the event that was raised later is not recognised when it is delivered again")
	}
	if n := len(box.Cards()); n != 1 {
		t.Errorf("%d fixed cards went out, want one", n)
	}
}

// A commit whose answer is lost has happened: nothing is done twice.
func TestHAZ07_CardWhenTheAnswerIsLost(t *testing.T) {
	p := parts(t)
	clock := house.NewClock(monday)
	s := &frail{Memory: house.NewMemory(clock.Now)}
	box := &house.Mailbox{Card: p.FixedCard}
	h := house.Build(p, s, box, clock.Now, slog.New(slog.DiscardHandler))
	s.set("answer")
	err := h.Intake.Handle(t.Context(), house.Caller("p", "en", "PT"), care.Event{ID: "1", Kind: care.Said, Text: "i can't breathe"})
	if n := len(box.Cards()) + len(box.Sent()); err != nil && n == 0 {
		t.Fatalf("%v, and no card", err)
	}
	s.set()
	h.Intake.Retry(t.Context())
	if _, err := h.Outbox.Sweep(t.Context()); err != nil {
		t.Fatal(err)
	}
	raised(t, s.Memory, "p")
	ids := map[care.ItemID]bool{}
	for _, m := range box.Sent() {
		if ids[m.ID] {
			t.Errorf("message %s was sent twice", m.ID)
		}
		ids[m.ID] = true
	}
}
