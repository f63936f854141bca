package outbox_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/outbox"
	"turnstone/record"
	"turnstone/store"
	"turnstone/tests/house"
)

var monday = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

// A bench is an outbox on a store in memory, with a waker that only marks
// items as done, and a channel that a test can close.
type bench struct {
	*outbox.Outbox
	t     testing.TB
	store *weak
	clock *house.Clock
	box   *house.Mailbox
	mu    sync.Mutex
	woken []string
}

// weak is a store in which some calls fail.
type weak struct {
	*house.Memory
	mu   sync.Mutex
	fail func(call string) error
}

func (w *weak) ask(call string) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.fail == nil {
		return nil
	}
	return w.fail(call)
}

func (w *weak) failing(f func(call string) error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fail = f
}

func (w *weak) Load(ctx context.Context, person string) (store.Record, error) {
	if err := w.ask("load"); err != nil {
		return store.Record{}, err
	}
	return w.Memory.Load(ctx, person)
}

func (w *weak) Commit(ctx context.Context, write store.Write) error {
	if err := w.ask("commit"); err != nil {
		return err
	}
	return w.Memory.Commit(ctx, write)
}

func (w *weak) Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error {
	if err := w.ask("put"); err != nil {
		return err
	}
	return w.Memory.Put(ctx, key, value, etag, expires)
}

var errDown = fmt.Errorf("the disk is away: %w", store.ErrDown)

func newBench(t testing.TB) *bench { t.Helper(); return newBenchAt(t, nil) }

// newBenchAt is on the given clock, or on one that stands still.
func newBenchAt(t testing.TB, now func() time.Time) *bench {
	t.Helper()
	p, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, clock: house.NewClock(monday), box: &house.Mailbox{}}
	if now == nil {
		now = b.clock.Now
	}
	b.store = &weak{Memory: house.NewMemory(now)}
	b.Outbox = &outbox.Outbox{
		Store: b.store, Sender: b.box, Waker: b, Book: p.Book, Door: p.Door, Now: now, Log: slog.New(slog.DiscardHandler),
	}
	return b
}

// Due marks an item as done, as the flow would, and remembers it.
func (b *bench) Due(ctx context.Context, person care.PersonID, it care.Item) error {
	b.mu.Lock()
	b.woken = append(b.woken, string(it.ID))
	b.mu.Unlock()
	r, etag := b.read(person)
	r.Episode.Agenda = slices.DeleteFunc(r.Episode.Agenda, func(a care.Item) bool { return a.ID == it.ID })
	return b.write(ctx, person, etag, r)
}

// awake are the items that were woken.
func (b *bench) awake() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.woken)
}

// Retry has nothing to raise.
func (*bench) Retry(context.Context) {}

func (b *bench) read(person care.PersonID) (record.Record, store.Etag) {
	b.t.Helper()
	stored, err := b.store.Memory.Load(context.Background(), string(person))
	if err != nil {
		b.t.Fatal(err)
	}
	if stored.Bytes == nil {
		return record.Record{}, stored.Etag
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		b.t.Fatal(err)
	}
	return r, stored.Etag
}

func (b *bench) write(ctx context.Context, person care.PersonID, etag store.Etag, r record.Record) error {
	w, err := record.Write(person, etag, record.Nonce(), r, nil, b.Now())
	if err != nil {
		return err
	}
	return b.store.Memory.Commit(ctx, w)
}

// put makes a person with an agenda, at a disposition.
func (b *bench) put(person care.PersonID, d care.Disposition, items ...care.Item) {
	b.t.Helper()
	r, etag := b.read(person)
	r.Address = "test:" + string(person)
	r.Episode.ID, r.Episode.Locale, r.Episode.Region, r.Episode.Disposition = care.EpisodeID(person), "en", "PT", d
	r.Episode.Open = d >= care.Emergency
	r.Episode.Agenda = append(r.Episode.Agenda, items...)
	if err := b.write(context.Background(), person, etag, r); err != nil {
		b.t.Fatal(err)
	}
}

// free ends the leases that putting people took, so that a sweep finds them.
func (b *bench) free() { b.clock.Pass(record.RoutineLease + time.Second) }

func (b *bench) sweep() error {
	_, err := b.Sweep(context.Background())
	return err
}

func (b *bench) sent() (ids []string) {
	for _, m := range b.box.Sent() {
		ids = append(ids, string(m.ID))
	}
	return ids
}

func (b *bench) want(ids ...string) {
	b.t.Helper()
	if got := b.sent(); !slices.Equal(got, ids) {
		b.t.Errorf("sent %v, want %v", got, ids)
	}
}

func say(id, key string) care.Item {
	return care.Item{ID: care.ItemID(id), What: care.DoSay, Due: monday, Say: &care.Message{Lines: []care.Sentence{{Key: care.SentenceKey(key)}}}}
}

func urgent(it care.Item) care.Item { it.Urgent = true; return it }

func check(id string, due time.Time) care.Item {
	return care.Item{ID: care.ItemID(id), What: "day_2", Due: due}
}

func TestWhatIsDueGoesOutOnceInOrder(t *testing.T) {
	b := newBench(t)
	b.put("p", care.Home, say("p-1", "greeting"), urgent(say("p-2", "cmd.help")), say("p-3", "limits"), check("p-4", monday.Add(time.Hour)))
	if err := b.Deliver(t.Context(), "p"); err != nil {
		t.Fatal(err)
	}
	b.want("p-2", "p-1", "p-3")
	if err := errors.Join(b.Deliver(t.Context(), "p"), b.sweep()); err != nil {
		t.Fatal(err)
	}
	b.want("p-2", "p-1", "p-3") // once
	if r, _ := b.read("p"); len(r.Episode.Agenda) != 1 {
		t.Errorf("left on the agenda is %v", r.Episode.Agenda)
	}
	b.clock.Pass(time.Hour)
	if err := b.sweep(); err != nil || !slices.Equal(b.awake(), []string{"p-4"}) {
		t.Errorf("woken %v, %v; want p-4", b.awake(), err)
	}
}

// A message that was right when it was put together may not be when it is
// sent: home care that waits is dropped when danger comes up.
func TestQueuedHomeCareIsDroppedWhenDangerComesUp(t *testing.T) {
	b := newBench(t)
	b.put("p", care.Home, say("p-1", "home.first"))
	b.put("p", care.Ambulance, urgent(care.Item{
		ID: "p-2", What: care.DoSay, Due: monday, Say: &care.Message{Lines: []care.Sentence{{Key: "fault.card", Args: map[string]string{"number": "112"}}}},
	}))
	if err := b.Deliver(t.Context(), "p"); err != nil {
		t.Fatal(err)
	}
	b.want("p-2")
	lines, err := b.store.Log(t.Context(), "p")
	if err != nil || !strings.Contains(string(slices.Concat(lines...)), `"dropped"`) {
		t.Errorf("the log does not say that it was dropped: %q, %v", lines, err)
	}
}

// What fails is tried again under the same ID when its lease is over.
func TestWhatFailsIsTriedAgain(t *testing.T) {
	b := newBench(t)
	tries := 0
	b.box.Fail = func(outbox.Message) error {
		if tries++; tries <= 2 {
			return errors.New("the channel is down")
		}
		return nil
	}
	b.put("p", care.Home, urgent(say("p-1", "greeting")))
	for range 2 {
		b.free()
		if err := b.sweep(); err == nil || !strings.Contains(err.Error(), "p-1") {
			t.Errorf("got %v, want the item that failed", err)
		}
		if err := b.sweep(); err != nil {
			t.Errorf("inside the lease it was tried again: %v", err)
		}
	}
	b.free()
	if err := b.sweep(); err != nil {
		t.Error(err)
	}
	b.want("p-1")
}

// A routine message that fails never holds up an urgent one, nor the staff
// list, nor a check; not of the same person and not of another.
func TestAFailingMessageHoldsUpNothingElse(t *testing.T) {
	b := newBench(t)
	b.box.Fail = func(m outbox.Message) error {
		if strings.HasPrefix(string(m.ID), "bad") {
			return errors.New("the channel does not like it")
		}
		return nil
	}
	raise := care.Item{ID: "p-raise", What: care.DoRaise, Due: monday, Urgent: true, About: "p-e"}
	b.put("p", care.SameDay, say("bad-1", "greeting"), check("p-check", monday), raise, urgent(say("p-card", "cmd.help")))
	r, etag := b.read("p")
	r.Episode.Escalations = []care.Escalation{{ID: "p-e", What: care.AboutDisposition, Disposition: care.SameDay, Since: monday, State: care.StateOpen}}
	if err := b.write(t.Context(), "p", etag, r); err != nil {
		t.Fatal(err)
	}
	b.put("q", care.Home, urgent(say("bad-2", "greeting")), say("q-1", "greeting"))
	b.put("r", care.Home, urgent(say("r-1", "greeting")))
	b.free()
	if err := b.sweep(); err == nil {
		t.Error("nobody was told of what failed")
	}
	for _, id := range []string{"p-card", "q-1", "r-1"} {
		if !slices.Contains(b.sent(), id) {
			t.Errorf("sent %v, and not %s", b.sent(), id)
		}
	}
	b.free() // the commits that marked the urgent ones took the lease of the routine lane
	if err := b.sweep(); err == nil {
		t.Error("nobody was told of what failed again")
	}
	if !slices.Equal(b.awake(), []string{"p-check"}) {
		t.Errorf("woken %v", b.awake())
	}
	if _, _, ok, err := b.store.Get(t.Context(), record.CardKey("p-e")); err != nil || !ok {
		t.Errorf("the item is not on the staff list: %v", err)
	}
}

// A staff list that can't be written holds up no message.
func TestAFailingStaffListHoldsUpNoMessage(t *testing.T) {
	b := newBench(t)
	b.put("p", care.SameDay, care.Item{ID: "p-raise", What: care.DoRaise, Due: monday, Urgent: true, About: "p-e"}, urgent(say("p-1", "cmd.help")))
	r, etag := b.read("p")
	r.Episode.Escalations = []care.Escalation{{ID: "p-e", What: care.AboutHuman, Since: monday, State: care.StateOpen}}
	if err := b.write(t.Context(), "p", etag, r); err != nil {
		t.Fatal(err)
	}
	b.store.failing(func(call string) error {
		if call == "put" {
			return errDown
		}
		return nil
	})
	if err := b.Deliver(t.Context(), "p"); !errors.Is(err, store.ErrDown) {
		t.Errorf("got %v", err)
	}
	b.want("p-1")
	b.store.failing(nil)
	b.free()
	if err := b.sweep(); err != nil {
		t.Fatal(err)
	}
	if _, _, ok, err := b.store.Get(t.Context(), record.CardKey("p-e")); err != nil || !ok {
		t.Errorf("the item is not on the staff list: %v", err)
	}
}

// Somebody who commits between the sending and the marking takes nothing back:
// the message is marked, and what they wrote stays.
func TestACommitBetweenSendingAndMarking(t *testing.T) {
	b := newBench(t)
	b.put("p", care.Home, urgent(say("p-1", "greeting")))
	b.box.Fail = func(outbox.Message) error {
		b.put("p", care.Home, urgent(say("p-2", "cmd.help"))) // while p-1 is on its way
		b.box.Fail = nil
		return nil
	}
	if err := b.Deliver(t.Context(), "p"); err != nil {
		t.Fatal(err)
	}
	b.want("p-1", "p-2")
	if r, _ := b.read("p"); len(r.Episode.Agenda) != 0 {
		t.Errorf("left on the agenda is %v", r.Episode.Agenda)
	}
}

// Somebody who is erased between the sending and the marking stays erased.
func TestErasedBetweenSendingAndMarking(t *testing.T) {
	b := newBench(t)
	b.put("p", care.Home, urgent(say("p-1", "greeting")))
	b.box.Fail = func(outbox.Message) error {
		_, etag := b.read("p")
		if err := b.store.Memory.Commit(context.Background(), store.Write{Person: "p", Read: etag, Next: etag.Next(record.Nonce()), Now: monday}); err != nil {
			t.Error(err)
		}
		return nil
	}
	if err := b.Deliver(t.Context(), "p"); err != nil {
		t.Fatal(err)
	}
	if r, _ := b.read("p"); r.Episode.ID != "" {
		t.Errorf("somebody who was erased is there again: %+v", r)
	}
}

// A message that can't be put into words never will be: something else is said
// instead, the card where an emergency is open, and what follows goes out.
func TestWhatHasNoWordsHoldsUpNothing(t *testing.T) {
	for name, c := range map[string]struct {
		d    care.Disposition
		it   care.Item
		says string
	}{
		"an argument that is missing": {care.Home, say("p-1", "card.number"), "112"},
		"with an emergency open":      {care.Ambulance, say("p-1", "nobody_answered"), "112"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.put("p", c.d, c.it, say("p-2", "cmd.help"))
			if err := b.Deliver(t.Context(), "p"); err != nil {
				t.Fatal(err)
			}
			b.want("p-1", "p-2")
			first := b.box.Sent()[0]
			if !strings.Contains(first.Text, c.says) || strings.Contains(first.Text, "{") {
				t.Errorf("instead is said %q", first.Text)
			}
			if c.d == care.Ambulance && !first.Card {
				t.Error("with an emergency open it is no card")
			}
		})
	}
}

// Words are put in the person's language; an argument that begins with @ is
// itself a sentence.
func TestRenderInEveryLanguage(t *testing.T) {
	b := newBench(t)
	for _, locale := range []care.Locale{"en", "es"} {
		m, err := b.Render(care.Episode{Locale: locale}, care.Item{ID: "i", Say: &care.Message{
			Picture: "wrap", Lines: []care.Sentence{{Key: "because.told", Args: map[string]string{"reason": "@reason.navicular"}}},
			Ask: &care.Ask{Kind: care.YesNo, Facts: []care.Fact{"ride"}, Token: "t", Choices: []care.Choice{{Value: care.Yes, Label: "label.yes"}}},
		}})
		reason, err2 := b.Book.Text(locale, care.Sentence{Key: "reason.navicular"})
		if err := errors.Join(err, err2); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(m.Text, reason) || m.Picture != "wrap" || m.Ask.Token != "t" || m.Ask.Choices[0].Label == "" || m.Card {
			t.Errorf("%s: got %+v", locale, m)
		}
	}
	for _, bad := range []care.Message{
		{Lines: []care.Sentence{{Key: "no.such.sentence"}}},
		{Lines: []care.Sentence{{Key: "because.told", Args: map[string]string{"reason": "@no.such.reason"}}}},
		{Lines: []care.Sentence{{Key: "greeting"}}, Ask: &care.Ask{Choices: []care.Choice{{Value: "x", Label: "label.no_such"}}}},
	} {
		if m, err := b.Render(care.Episode{Locale: "en"}, care.Item{Say: &bad}); err == nil {
			t.Errorf("%+v was put into the words %q", bad, m.Text)
		}
	}
}

// Two dangers may ask for the same first aid: a card says each line once, and
// leaves none out.
func TestACardSaysEachLineOnce(t *testing.T) {
	b := newBench(t)
	aid := []care.SentenceKey{"firstaid.foot_cold_or_pale", "firstaid.foot_numb", "firstaid.head_or_neck", "firstaid.crushed_or_thrown", "firstaid.stroke_signs"}
	for _, locale := range []care.Locale{"en", "es"} {
		var say care.Message
		want := map[string]bool{}
		written := 0
		for _, key := range aid {
			say.Lines = append(say.Lines, care.Sentence{Key: key})
			text, err := b.Book.Text(locale, care.Sentence{Key: key})
			if err != nil {
				t.Fatal(err)
			}
			for line := range strings.SplitSeq(text, "\n") {
				want[line] = true
				written++
			}
		}
		m, err := b.Render(care.Episode{Locale: locale}, care.Item{ID: "i", Say: &say})
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Split(m.Text, "\n")
		if len(got) != len(want) || len(want) == written {
			t.Errorf("%s: %d lines, %d of %d are different: %q", locale, len(got), len(want), written, got)
		}
		for _, line := range got {
			if !want[line] {
				t.Errorf("%s: says %q", locale, line)
			}
		}
	}
}

// The cards of the staff list go when their time is over.
func TestCardsGoWhenTheirTimeIsOver(t *testing.T) {
	for name, c := range map[string]struct {
		e    care.Escalation
		kept time.Duration // 0: for good; negative: not at all
	}{
		"open":            {care.Escalation{State: care.StateOpen}, 0},
		"taken":           {care.Escalation{State: care.StateTaken}, 0},
		"closed":          {care.Escalation{State: care.StateClosed}, 30 * 24 * time.Hour},
		"bare":            {care.Escalation{State: care.StateOpen, Bare: true}, 7 * 24 * time.Hour},
		"bare and closed": {care.Escalation{State: care.StateClosed, Bare: true}, -1},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			c.e.ID, c.e.Since = "p-e", monday
			b.put("p", care.Ambulance, urgent(care.Item{ID: "p-1", What: care.DoRaise, Due: monday, About: "p-e"}))
			r, etag := b.read("p")
			r.Episode.Escalations = []care.Escalation{c.e}
			if err := errors.Join(b.write(t.Context(), "p", etag, r), b.Deliver(t.Context(), "p")); err != nil {
				t.Fatal(err)
			}
			for _, at := range []struct {
				after time.Duration
				there bool
			}{{0, c.kept >= 0}, {c.kept - time.Second, c.kept >= 0}, {c.kept + time.Second, c.kept == 0}, {365 * 24 * time.Hour, c.kept == 0}} {
				b.clock.Set(monday.Add(max(at.after, 0)))
				if _, _, ok, err := b.store.Get(t.Context(), record.CardKey("p-e")); err != nil || ok != at.there {
					t.Errorf("after %v the card is there: %v, %v; want %v", at.after, ok, err, at.there)
				}
			}
		})
	}
}

// A store that can't say what is due is no end of the loop's knowledge: the
// other lane still counts.
func TestNextIsTheEarlierLane(t *testing.T) {
	b := newBench(t)
	if _, ok := b.Next(t.Context()); ok {
		t.Error("something is due where nobody is")
	}
	b.put("p", care.Home, check("p-1", monday.Add(2*time.Hour)), urgent(check("p-2", monday.Add(time.Hour))))
	if at, ok := b.Next(t.Context()); !ok || !at.Equal(monday.Add(time.Hour)) {
		t.Errorf("next is %v, %v", at, ok)
	}
}
