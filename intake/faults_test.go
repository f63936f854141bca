package intake_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/flow"
	"turnstone/intake"
	"turnstone/outbox"
	"turnstone/record"
	"turnstone/store"
	"turnstone/tests/house"
)

var monday = time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)

const typed = "i can't breathe"

// A bench is a house on a store in memory, and what came out of it.
type bench struct {
	*house.House
	t     testing.TB
	clock *house.Clock
	store *weak
	box   *house.Mailbox
	n     int
}

func newBench(t testing.TB) *bench {
	t.Helper()
	p, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, clock: house.NewClock(monday), box: &house.Mailbox{Card: p.FixedCard}}
	b.store = &weak{Memory: house.NewMemory(b.clock.Now)}
	b.House = house.Build(p, b.store, b.box, b.clock.Now, slog.New(slog.DiscardHandler))
	return b
}

func caller(person care.PersonID) intake.Caller { return house.Caller(person, "en", "PT") }

// event gives an event an ID of its own and hands it in.
func (b *bench) event(person care.PersonID, ev care.Event) error {
	b.n++
	if ev.ID == "" {
		ev.ID = care.EventID(fmt.Sprint("event-", b.n))
	}
	return b.Intake.Handle(context.Background(), caller(person), ev)
}

func (b *bench) must(person care.PersonID, events ...care.Event) {
	b.t.Helper()
	for _, ev := range events {
		if err := b.event(person, ev); err != nil {
			b.t.Fatalf("%+v: %v", ev, err)
		}
	}
}

func said(text string) care.Event         { return care.Event{Kind: care.Said, Text: text} }
func chose(values ...string) care.Event   { return care.Event{Kind: care.Chose, Choices: values} }
func open() care.Event                    { return care.Event{Kind: care.Opened} }
func (b *bench) take(id, by string) error { return b.act(care.StaffAct{Do: "take", ID: id, By: by}) }

func (b *bench) act(act care.StaffAct) error { return b.Intake.Staff(context.Background(), act) }

// episode is what is kept of a person; the zero one where nothing is.
func (b *bench) episode(person care.PersonID) care.Episode {
	b.t.Helper()
	stored, err := b.store.Memory.Load(context.Background(), string(person))
	if err != nil {
		b.t.Fatal(err)
	}
	if stored.Bytes == nil {
		return care.Episode{}
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		b.t.Fatal(err)
	}
	return r.Episode
}

func (b *bench) cards() []record.Card {
	b.t.Helper()
	named, err := b.store.List(context.Background(), record.CardPrefix)
	if err != nil {
		b.t.Fatal(err)
	}
	var all []record.Card
	for _, n := range named {
		c, err := record.DecodeCard(n.Bytes)
		if err != nil {
			b.t.Fatal(err)
		}
		all = append(all, c)
	}
	return all
}

// wantEmergency fails unless an ambulance is on record, one item about it is
// on the staff list, and the person has the number.
func (b *bench) wantEmergency(person care.PersonID) {
	b.t.Helper()
	ep := b.episode(person)
	if ep.Disposition != care.Ambulance || !ep.Open {
		b.t.Errorf("the record says %s, open %v; want an open ambulance", ep.Disposition, ep.Open)
	}
	if ep.Ask != nil && slices.Contains(ep.Ask.Facts, "side") {
		b.t.Errorf("the talk goes on asking about %v", ep.Ask.Facts)
	}
	mine := slices.DeleteFunc(b.cards(), func(c record.Card) bool { return c.Person != person })
	if len(mine) != 1 || mine[0].Escalation.Disposition != care.Ambulance || mine[0].Escalation.What != care.AboutDisposition {
		b.t.Errorf("on the staff list is %+v, want one ambulance", mine)
	}
	if !slices.ContainsFunc(append(b.box.Sent(), b.box.Cards()...), func(m outbox.Message) bool { return m.Person == person && strings.Contains(m.Text, "112") }) {
		b.t.Errorf("nobody told %s the number", person)
	}
}

// A weak store is told by the test which call fails, and for whom.
type weak struct {
	*house.Memory
	mu   sync.Mutex
	fail func(call, person string) error
	lose bool // commits happen, and their answers are lost
}

func (w *weak) ask(call, person string) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.fail == nil {
		return nil
	}
	return w.fail(call, person)
}

func (w *weak) failing(f func(call, person string) error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fail = f
}

var errDown = fmt.Errorf("the disk is away: %w", store.ErrDown)

func (w *weak) Load(ctx context.Context, person string) (store.Record, error) {
	if err := w.ask("load", person); err != nil {
		return store.Record{}, err
	}
	return w.Memory.Load(ctx, person)
}

func (w *weak) Commit(ctx context.Context, write store.Write) error {
	if err := w.ask("commit", write.Person); err != nil {
		return err
	}
	err := w.Memory.Commit(ctx, write)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.lose && err == nil {
		return errDown
	}
	return err
}

func (w *weak) Get(ctx context.Context, key string) ([]byte, uint64, bool, error) {
	if err := w.ask("get", strings.TrimPrefix(key, "account/")); err != nil {
		return nil, 0, false, err
	}
	return w.Memory.Get(ctx, key)
}

func (w *weak) Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error {
	if err := w.ask("put", key); err != nil {
		return err
	}
	return w.Memory.Put(ctx, key, value, etag, expires)
}

// A brokenFlow does what a test says instead of the flow.
type brokenFlow struct {
	*flow.Flow
	step func(care.Episode, care.Event) (care.Change, error)
}

func (f *brokenFlow) Step(ep care.Episode, ev care.Event, _ care.Finding, _ time.Time) (care.Change, error) {
	return f.step(ep, ev)
}

// toTheSide leads a person to the middle of day 0, with consent.
func (b *bench) toTheSide(person care.PersonID) {
	b.t.Helper()
	b.must(person, open(), chose("none"), chose("none"), said("34"), chose("yes"), said("2 hours ago"), chose("none"))
}

// homeText is a message that may go out at home only.
func homeText(id string) care.Item {
	return care.Item{
		ID: care.ItemID(id), What: care.DoSay, Due: monday, Urgent: true,
		Say: &care.Message{Lines: []care.Sentence{{Key: "home.first"}}},
	}
}

// brokenWays are the ways in which the flow can fail an emergency.
func brokenWays() map[string]func(care.Episode, care.Event) (care.Change, error) {
	return map[string]func(care.Episode, care.Event) (care.Change, error){
		"it panics": func(care.Episode, care.Event) (care.Change, error) { panic("a nil map") },
		"it errs":   func(care.Episode, care.Event) (care.Change, error) { return care.Change{}, errors.New("no such state") },
		"it wants to say home care": func(ep care.Episode, _ care.Event) (care.Change, error) {
			ep.Disposition, ep.Open = care.Ambulance, true
			ep.Agenda = append(slices.Clone(ep.Agenda), homeText("bad"))
			return care.Change{Episode: ep}, nil
		},
		"it wants to say a sentence that nobody classed": func(ep care.Episode, _ care.Event) (care.Change, error) {
			it := homeText("bad")
			it.Say.Lines[0].Key = "no.such.sentence"
			ep.Agenda = append(slices.Clone(ep.Agenda), it)
			return care.Change{Episode: ep}, nil
		},
		"it forgets what it knew": func(ep care.Episode, _ care.Event) (care.Change, error) {
			ep.Disposition = care.Home
			return care.Change{Episode: ep}, nil
		},
	}
}

// Whatever the flow does with a typed emergency, the person gets a card with
// the number and staff get an item.
func TestABrokenFlowDoesNotStopAnEmergency(t *testing.T) {
	for name, step := range brokenWays() {
		for _, begun := range []bool{false, true} {
			t.Run(fmt.Sprint(name, ", begun ", begun), func(t *testing.T) {
				b := newBench(t)
				if begun {
					b.toTheSide("p")
					b.must("p", chose("left"), chose("midfoot")) // at least a clinician: something to forget
				}
				b.Intake.Flow = &brokenFlow{b.Flow, step}
				err := b.event("p", said(typed))
				if !begun && name == "it forgets what it knew" {
					return // there was nothing to forget
				}
				if err != nil {
					t.Errorf("got %v, want the emergency handled", err)
				}
				b.wantEmergency("p")
				for _, m := range b.box.Sent() {
					if m.ID == "bad" {
						t.Errorf("out went %q", m.Text)
					}
				}
			})
		}
	}
}

// With an emergency open, a flow that fails on plain words repeats the card.
func TestABrokenFlowWithAnEmergencyOpenRepeatsTheCard(t *testing.T) {
	for name, step := range brokenWays() {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.must("p", open(), chose("heavy_bleeding"), chose("yes"))
			before := len(b.box.Sent())
			b.Intake.Flow = &brokenFlow{b.Flow, step}
			if err := b.event("p", said("thanks")); err != nil {
				t.Error(err)
			}
			if sent := b.box.Sent()[before:]; len(sent) != 1 || !strings.Contains(sent[0].Text, "112") || !sent[0].Card {
				t.Errorf("plain words brought %+v, want one card", sent)
			}
			b.wantEmergency("p")
		})
	}
}

// Without an emergency a flow that fails changes nothing that was told, and
// says nothing that it may not.
func TestABrokenFlowWithoutAnEmergencyLowersNothing(t *testing.T) {
	for name, step := range brokenWays() {
		if name == "it wants to say home care" {
			continue // that one claims an emergency of its own
		}
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.toTheSide("p")
			b.must("p", chose("left"), chose("midfoot"))
			before, sent := b.episode("p"), len(b.box.Sent())
			b.Intake.Flow = &brokenFlow{b.Flow, step}
			err := b.event("p", said("hello"))
			after := b.episode("p")
			if after.Disposition < before.Disposition {
				t.Errorf("the disposition fell from %s to %s", before.Disposition, after.Disposition)
			}
			if err == nil && len(b.box.Sent()) == sent {
				t.Error("nobody was told that something went wrong")
			}
			for _, m := range b.box.Sent()[sent:] {
				if m.ID == "bad" || strings.Contains(m.Text, "no.such") {
					t.Errorf("out went %q", m.Text)
				}
			}
		})
	}
}

// The same event from many at once, and later, is handled once.
func TestAnEventIsHandledOnce(t *testing.T) {
	b := newBench(t)
	b.toTheSide("p")
	ev := care.Event{ID: "the one", Kind: care.Chose, Choices: []string{"left"}}
	var mu sync.Mutex
	handled, again := 0, 0
	var wg sync.WaitGroup
	for range 64 {
		wg.Go(func() {
			err := b.Intake.Handle(context.Background(), caller("p"), ev)
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err == nil:
				handled++
			case errors.Is(err, intake.ErrSeen):
				again++
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if handled != 1 || again != 63 {
		t.Errorf("handled %d times and recognised %d times, want 1 and 63", handled, again)
	}
	if err := b.Intake.Handle(context.Background(), caller("p"), ev); !errors.Is(err, intake.ErrSeen) {
		t.Errorf("later: got %v, want ErrSeen", err)
	}
	if ask := b.episode("p").Ask; ask == nil || ask.Facts[0] != "where_it_hurts" {
		t.Errorf("after one answer open is %+v", ask)
	}
}

// Many different events of one person at once: each is handled, none is lost.
func TestEventsAtOnceAreAllHandled(t *testing.T) {
	b := newBench(t)
	b.toTheSide("p")
	var wg sync.WaitGroup
	for i := range 16 {
		wg.Go(func() {
			words := "what is kept"
			if i == 7 {
				words = typed
			}
			if err := b.Intake.Handle(context.Background(), caller("p"), care.Event{ID: care.EventID(fmt.Sprint("at once ", i)), Kind: care.Said, Text: words}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	b.wantEmergency("p")
	ids := map[care.ItemID]bool{}
	for _, m := range b.box.Sent() {
		ids[m.ID] = true
	}
	if answers := len(ids); answers < 16 {
		t.Errorf("%d different messages answer 16 lines and an opening", answers)
	}
}

// A card that waits for the store must not wait for somebody else's record.
func TestOnePersonsDamagedRecordHoldsNobodyUp(t *testing.T) {
	b := newBench(t)
	b.store.failing(func(string, string) error { return errDown })
	for _, p := range []care.PersonID{"damaged", "p", "q"} {
		if err := b.event(p, said(typed)); !errors.Is(err, store.ErrDown) {
			t.Fatalf("got %v, want that the store is down", err)
		}
	}
	b.store.failing(func(_, person string) error {
		if person == "damaged" {
			return fmt.Errorf("a record of zeros: %w", store.ErrDamaged)
		}
		return nil
	})
	b.Intake.Retry(context.Background())
	b.wantEmergency("p")
	b.wantEmergency("q")
	b.store.failing(nil)
	b.Intake.Retry(context.Background())
	b.wantEmergency("damaged")
}

// A channel that is down loses nothing: the emergency is kept, staff are asked,
// and the card goes out when the channel is back.
func TestAChannelThatIsDownLosesNothing(t *testing.T) {
	b := newBench(t)
	down := true
	b.box.Fail = func(outbox.Message) error {
		if down {
			return errors.New("the channel is down")
		}
		return nil
	}
	if err := b.event("p", said(typed)); err == nil {
		t.Error("nobody was told that the card did not go out")
	}
	if len(b.cards()) != 1 {
		t.Errorf("staff have %d items, want one: the channel has nothing to do with it", len(b.cards()))
	}
	down = false
	for range 4 {
		b.clock.Pass(record.UrgentLease + time.Second)
		if _, err := b.Outbox.Sweep(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	b.wantEmergency("p")
}

// A dose or a verdict in staff's words is refused before anything is read.
func TestStaffWordsAreRefusedFirst(t *testing.T) {
	b := newBench(t)
	b.must("p", open(), chose("heavy_bleeding"))
	id := b.cards()[0].Escalation.ID
	if err := b.take(id, "Rui"); err != nil {
		t.Fatal(err)
	}
	before := b.episode("p")
	err := b.act(care.StaffAct{Do: "reply", ID: id, By: "Rui", Text: "Take 400 mg."})
	if !errors.Is(err, care.ErrStaff) || !reflect.DeepEqual(before, b.episode("p")) {
		t.Errorf("got %v, want a refusal that changes nothing", err)
	}
}

// An item that nobody knows is refused, and a card that does not read is an
// error for the operator, not for staff.
func TestStaffAndUnknownItems(t *testing.T) {
	b := newBench(t)
	if err := b.take("nobody-1", "Rui"); !errors.Is(err, care.ErrStaff) {
		t.Errorf("got %v, want a refusal", err)
	}
	if err := b.store.Put(context.Background(), record.CardKey("bad-1"), []byte("{"), store.AnyEtag, time.Time{}); err != nil {
		t.Fatal(err)
	}
	if err := b.take("bad-1", "Rui"); err == nil || errors.Is(err, care.ErrStaff) {
		t.Errorf("got %v, want a fault of the store", err)
	}
}

// bothTalk leads an account to an emergency of its own and then to the other
// person's second question.
func bothTalk(t *testing.T) *bench {
	t.Helper()
	b := newBench(t)
	b.toTheSide("p")
	b.must("p", said(typed), said("this is about somebody else"), chose("none"))
	if ask := b.episode("p+2").Ask; ask == nil || ask.Facts[0] != "foot_numb" {
		t.Fatalf("the other person is asked %+v", ask)
	}
	return b
}

// A press on a question of the one reaches the one, though the talk is about
// the other since; the talk turns with it, and back with the next press.
func TestHAZ20_AnAnswerReachesWhomTheQuestionIsAbout(t *testing.T) {
	b := newBench(t)
	b.must("p", said("hello"))
	own := b.episode("p").Ask.Token
	b.must("p", said("this is about somebody else"))
	other := b.episode("p+2").Ask.Token
	press := func(token, value string) care.Event {
		ev := chose(value)
		ev.Token = token
		return ev
	}
	b.must("p", press(own, care.None))
	if ep := b.episode("p+2"); ep.Ask == nil || ep.Ask.Token != other {
		t.Errorf("the other person is asked %+v: somebody else's answer counted", ep.Ask)
	}
	own = b.episode("p").Ask.Token
	if care.AboutOther(own) || !care.AboutOther(other) {
		t.Errorf("the tokens %q and %q do not say whom they are about", own, other)
	}
	b.must("p", said("I can't feel my toes")) // about who was pressed for
	if own, other := b.episode("p").Disposition, b.episode("p+2").Disposition; own < care.Emergency || other >= care.Emergency {
		t.Errorf("words after the press left the one at %v and the other at %v", own, other)
	}
	b.must("p", press(other, "chest_or_breathing"))
	if ep := b.episode("p+2"); ep.Disposition != care.Ambulance {
		t.Errorf("the press on the other's sign left them at %v", ep.Disposition)
	}
	for _, r := range b.episode("p").Reasons {
		if slices.Contains(r.Names, "chest_or_breathing") {
			t.Error("the other's sign was kept as the one's")
		}
	}
}

// While the talk is about the other person, what falls due for the first one
// without a word to them must not turn the talk round: the next answer is the
// other person's still.
func TestWhatFallsDueSilentlyTurnsNoTalkRound(t *testing.T) {
	b := bothTalk(t)
	b.clock.Pass(2*time.Minute + time.Second) // staff are asked again about the first person
	if _, err := b.Outbox.Sweep(context.Background()); err != nil {
		t.Fatal(err)
	}
	b.must("p", chose("deformed"))
	if ep := b.episode("p+2"); ep.Disposition != care.Emergency {
		t.Errorf("the other person's answer left them at %q", ep.Disposition)
	}
	for _, r := range b.episode("p").Reasons {
		if slices.Contains(r.Names, "deformed") {
			t.Error("the other person's answer was kept as the first one's")
		}
	}
}

// Whoever was asked last is who an answer is about: a staff message that shows
// the first person's question again turns the talk round with it.
func TestTheLastQuestionIsTheOneThatIsAnswered(t *testing.T) {
	b := bothTalk(t)
	if err := b.take(b.cards()[0].Escalation.ID, "Rui"); err != nil {
		t.Fatal(err)
	}
	sent := b.box.Sent()
	last := sent[len(sent)-1]
	if last.Ask == nil {
		t.Fatalf("the staff message shows no question: %+v", last)
	}
	ev := chose(last.Ask.Choices[0].Value)
	ev.Token = last.Ask.Token
	if err := b.event("p", ev); err != nil {
		t.Errorf("the button of the last message is refused: %v", err)
	}
}
