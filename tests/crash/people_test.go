package crash

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/intake"
	"turnstone/outbox"
	"turnstone/record"
	"turnstone/store/bolt"
	"turnstone/tests/house"
)

// raised fails unless the person has an open emergency, and exactly one item
// about it on the staff list.
func raised(t *testing.T, m *house.Memory, person string) {
	t.Helper()
	stored, err := m.Load(t.Context(), person)
	if err != nil {
		t.Fatal(err)
	}
	if stored.Bytes == nil {
		t.Fatal("nobody is there")
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	if r.Episode.Disposition != care.Ambulance || !r.Episode.Open {
		t.Errorf("the record says %s, open %v", r.Episode.Disposition, r.Episode.Open)
	}
	cards, err := m.List(t.Context(), record.CardPrefix)
	if err != nil {
		t.Fatal(err)
	}
	if len(cards) != 1 {
		t.Errorf("%d items are on the staff list, want one", len(cards))
	}
}

// people is how many talk at once.
const people = 50

// TestHAZ20_ParallelSessionsCanary lets fifty people talk at once in one
// process on one store, each with words and facts of their own. What one of
// them told must be in no message, record or item of another.
func TestHAZ20_ParallelSessionsCanary(t *testing.T) {
	p := parts(t)
	clock := house.NewClock(monday)
	s, err := bolt.Open(t.TempDir(), bolt.Options{Clock: clock.Now, Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	box := &house.Mailbox{Card: p.FixedCard}
	h := house.Build(p, s, box, clock.Now, slog.New(slog.DiscardHandler))
	var wg sync.WaitGroup
	for i := range people {
		wg.Go(func() {
			if err := canary(h, i); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	for i := range people {
		whose(t, s, i)
	}
	for _, m := range box.Sent() {
		addressed(t, m)
	}
}

func name(i int) care.PersonID { return care.PersonID(fmt.Sprintf("person-%02d", i)) }

// locale and region are a person's own, so that a message of another shows.
func locale(i int) care.Locale { return []care.Locale{"en", "es"}[i%2] }
func region(i int) string      { return []string{"PT", "US", "GB", "AU"}[i%4] }

// telephone is a number that only this person gives.
func telephone(i int) string { return fmt.Sprintf("+35191234%04d", i) }

// canary leads one person through a talk: an age of their own, an emergency
// for every third, a telephone number for whoever has a staff item.
func canary(h *house.House, i int) error {
	who := house.Caller(name(i), locale(i), region(i))
	who.Address = "mail:" + string(name(i))
	events := []care.Event{
		{Kind: care.Opened},
		{Kind: care.Chose, Choices: []string{"none"}},
		{Kind: care.Chose, Choices: []string{"none"}},
		{Kind: care.Said, Text: fmt.Sprint(18 + i%40)},
		{Kind: care.Chose, Choices: []string{"yes"}},
		{Kind: care.Said, Text: "2 hours ago"},
		{Kind: care.Chose, Choices: []string{"none"}},
	}
	if i%3 == 0 {
		events = append(events, care.Event{Kind: care.Said, Text: "i can't feel my toes"}, care.Event{Kind: care.Chose, Choices: []string{"yes"}})
	} else {
		events = append(events, care.Event{Kind: care.Said, Text: map[care.Locale]string{"en": "human please", "es": "quiero hablar con una persona"}[locale(i)]})
	}
	for n, ev := range events {
		ev.ID = care.EventID(fmt.Sprint(name(i), "/", n))
		if err := h.Intake.Handle(context.Background(), who, ev); err != nil {
			return fmt.Errorf("%s, event %d: %w", name(i), n, err)
		}
	}
	return callBack(h, who, i)
}

// callBack lets a staff member of this person's own ask for their number.
func callBack(h *house.House, who intake.Caller, i int) error {
	stored, err := h.Intake.Store.Load(context.Background(), string(who.Person))
	if err != nil {
		return err
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		return err
	}
	for _, e := range r.Episode.Escalations {
		by := "staff-" + string(name(i))
		for _, do := range []string{"take", "call_back"} {
			if err := h.Intake.Staff(context.Background(), care.StaffAct{Do: do, ID: e.ID, By: by}); err != nil {
				return err
			}
		}
	}
	return h.Intake.Handle(context.Background(), who, care.Event{ID: care.EventID(name(i) + "/phone"), Kind: care.Said, Text: telephone(i)})
}

// whose fails if anything in a person's record or items is another's.
func whose(t *testing.T, s *bolt.Store, i int) {
	t.Helper()
	stored, err := s.Load(t.Context(), string(name(i)))
	if err != nil {
		t.Fatal(err)
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	if r.Address != "mail:"+string(name(i)) || r.Episode.Locale != locale(i) || r.Episode.Region != region(i) {
		t.Errorf("the record of %s is of %s, %s, %s", name(i), r.Address, r.Episode.Locale, r.Episode.Region)
	}
	if open := i%3 == 0; r.Episode.Open != open {
		t.Errorf("%s has an open emergency: %v, want %v", name(i), r.Episode.Open, open)
	}
	for j := range people {
		if j != i && strings.Contains(string(stored.Bytes), telephone(j)) {
			t.Errorf("the record of %s holds the number of %s", name(i), name(j))
		}
	}
	for _, e := range r.Episode.Escalations {
		if e.Phone != telephone(i) || e.By != "staff-"+string(name(i)) {
			t.Errorf("the item of %s has the number %q and is with %q", name(i), e.Phone, e.By)
		}
		raw, _, ok, err := s.Get(t.Context(), record.CardKey(e.ID))
		if err != nil || !ok {
			t.Fatalf("the item of %s: %v, %v", name(i), ok, err)
		}
		if card, err := record.DecodeCard(raw); err != nil || card.Person != name(i) {
			t.Errorf("the item %s of %s is on the list for %s (%v)", e.ID, name(i), card.Person, err)
		}
	}
}

// addressed fails if a message's address, language or names are not those of
// its person.
func addressed(t *testing.T, m outbox.Message) {
	t.Helper()
	var i int
	if _, err := fmt.Sscanf(string(m.Person), "person-%d", &i); err != nil {
		t.Fatal(err)
	}
	if m.Address != "mail:"+string(name(i)) || m.Locale != locale(i) {
		t.Errorf("a message of %s went to %s in %s", m.Person, m.Address, m.Locale)
	}
	for j := range people {
		if j != i && strings.Contains(m.Text, string(name(j))) {
			t.Errorf("a message of %s names %s: %s", name(i), name(j), m.Text)
		}
	}
}

// TestHAZ21_AnyOrderAnyRepeat presses every button that was ever shown, late,
// twice and out of order, among answers that are in time: nothing is lowered,
// a late press on a danger sign raises, any other late press answers nothing.
func TestHAZ21_AnyOrderAnyRepeat(t *testing.T) {
	p := parts(t)
	for seed := range uint64(30) {
		t.Run("", func(t *testing.T) { anyOrder(t, p, rand.New(rand.NewPCG(seed, 21))) })
	}
}

// A press is a button as it was shown.
type press struct{ token, value string }

func anyOrder(t *testing.T, p *house.Parts, r *rand.Rand) {
	clock := house.NewClock(monday)
	m := house.NewMemory(clock.Now)
	box := &house.Mailbox{Card: p.FixedCard}
	h := house.Build(p, m, box, clock.Now, slog.New(slog.DiscardHandler))
	who := house.Caller("p", "en", "PT")
	handle := func(ev care.Event) { _ = h.Intake.Handle(t.Context(), who, ev) } // a refusal is an answer too
	handle(care.Event{ID: "open", Kind: care.Opened})
	var shown []press
	var past []care.Event
	worst := care.Disposition(0)
	for n := range 60 {
		shown = buttons(box.Sent())
		was := episode(t, m)
		ev := care.Event{ID: care.EventID(fmt.Sprint(n)), Kind: care.Chose}
		b := shown[r.IntN(len(shown))]
		switch k := r.IntN(10); {
		case k < 5: // the newest question, in time
			b = shown[len(shown)-1-r.IntN(min(2, len(shown)))]
			ev.Token, ev.Choices = b.token, []string{b.value}
		case k < 8: // any button
			ev.Token, ev.Choices = b.token, []string{b.value}
		case k == 8 && len(past) > 0: // the very same event again
			ev = past[r.IntN(len(past))]
		default:
			ev.Kind, ev.Text = care.Said, []string{"34", "2 hours ago", "4", "170 cm"}[r.IntN(4)]
		}
		handle(ev)
		past = append(past, ev)
		now := episode(t, m)
		if now.Disposition < worst {
			t.Fatalf("the disposition fell from %s to %s on %+v", worst, now.Disposition, ev)
		}
		worst = max(worst, now.Disposition)
		late(t, was, now, ev)
		clock.Pass(time.Second)
	}
	seen := map[care.ItemID]int{}
	for _, msg := range box.Sent() {
		if seen[msg.ID]++; seen[msg.ID] > 1 {
			t.Errorf("message %s was sent twice", msg.ID)
		}
	}
}

// buttons are all that were ever shown.
func buttons(sent []outbox.Message) (all []press) {
	for _, m := range sent {
		if m.Ask == nil {
			continue
		}
		for _, c := range m.Ask.Choices {
			all = append(all, press{m.Ask.Token, c.Value})
		}
	}
	return all
}

// late fails if a press on a question that is not open any more did anything
// but raise. A danger sign raises whenever it is pressed.
func late(t *testing.T, was, now care.Episode, ev care.Event) {
	t.Helper()
	if ev.Kind != care.Chose || was.Ask == nil || ev.Token == was.Ask.Token || ev.Token == "" {
		return
	}
	if danger := slices.Contains(dangers, ev.Choices[0]); !danger && (now.State != was.State || now.Disposition != was.Disposition) {
		t.Errorf("a late press %v moved the talk from %s (%s) to %s (%s)", ev.Choices, was.State, was.Disposition, now.State, now.Disposition)
	} else if danger && now.Disposition < care.Emergency {
		t.Errorf("a late press on the danger sign %v leaves the talk at %s", ev.Choices, now.Disposition)
	}
}

// dangers are the facts of Danger A and B, as the protocol's text lists them.
var dangers = strings.Fields(`chest_or_breathing collapsed stroke_signs head_or_neck heavy_bleeding bone_visible foot_cold_or_pale crushed_or_thrown
	foot_numb deformed high_energy landed_on_heels pain_out_of_control other_severe_pain calf_pain_or_swelling fever_or_redness`)

func episode(t *testing.T, m *house.Memory) care.Episode {
	t.Helper()
	stored, err := m.Load(t.Context(), "p")
	if err != nil {
		t.Fatal(err)
	}
	if stored.Bytes == nil {
		return care.Episode{}
	}
	r, err := record.Decode(stored.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	return r.Episode
}
