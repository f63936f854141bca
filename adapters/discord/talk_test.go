package discord

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/store"
)

func (f *front) small(most int) { f.mostTalks, f.room = most, most }

func (f *front) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.talks)
}

func (f *front) keeps(account string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.talks[account] != nil
}

func words100(account int) string {
	return fmt.Sprintf(`{"id":"1%d","channel_id":"2%d","author":{"id":"%d"},"content":"hello %d"}`, account, account, account, account)
}

// However many write, a bounded number of talks is kept in memory, and a talk
// that was let go stands where it stood.
func TestIdleTalksAreLetGo(t *testing.T) {
	f := newFront(t)
	f.small(8)
	for i := range 40 {
		f.gets(t, "MESSAGE_CREATE", words100(100+i))
		if err := f.saveAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		if n := f.count(); n > 8 {
			t.Fatalf("%d talks are kept", n)
		}
	}
	if f.keeps("100") || !f.keeps("139") {
		t.Error("the last one is let go before the first")
	}
	again := f.take("100")
	defer f.leave(again)
	if err := f.load(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	if n := again.read(); n.Last != "1100" || n.Own.Asked == "" || n.Direct != "2100" {
		t.Errorf("the talk that was let go stands at %+v", n)
	}
}

// A talk with something that is nowhere else stays, however many there are:
// words that are not taken in, a note that is not saved, a press that may still
// be answered, somebody at work.
func TestATalkWithSomethingUnsaidStays(t *testing.T) {
	f := newFront(t)
	f.small(4)
	for i := range 20 {
		f.gets(t, "MESSAGE_CREATE", words100(100+i)) // none is saved
	}
	if n := f.count(); n != 20 {
		t.Errorf("%d of 20 unsaved talks are kept", n)
	}
	if err := f.saveAll(t.Context()); err != nil {
		t.Fatal(err)
	}
	at := f.take("100")
	waits := f.take("101")
	waits.pending = []string{"9"}
	f.leave(waits)
	pressed := f.take("102")
	pressed.live = &reply{born: time.Now()}
	f.leave(pressed)
	for i := range 40 {
		f.gets(t, "MESSAGE_CREATE", words100(200+i))
		if err := f.saveAll(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for _, account := range []string{"100", "101", "102"} {
		if !f.keeps(account) {
			t.Errorf("the talk of %s is let go", account)
		}
	}
	f.leave(at)
	if n := f.count(); n > 4+3+1 {
		t.Errorf("%d talks are kept", n)
	}
}

// Many at once, with hardly any room: each word is taken in, and each note
// stands at the last one.
func TestTalksAreLetGoWhileOthersWrite(t *testing.T) {
	f := newFront(t)
	f.small(3)
	ctx, stop := context.WithCancel(t.Context())
	var saving sync.WaitGroup
	saving.Go(func() {
		for ctx.Err() == nil {
			if err := f.saveAll(context.Background()); err != nil {
				t.Error(err)
			}
		}
	})
	const people, each = 12, 8
	var writing sync.WaitGroup
	for p := range people {
		writing.Go(func() {
			for n := range each {
				f.hear("MESSAGE_CREATE", fmt.Appendf(nil, `{"id":"%d","channel_id":"2%d","author":{"id":"%d"},"content":"word %d of %d"}`, 1000+n, p, 100+p, n, p))
			}
		})
	}
	writing.Wait()
	f.working.Wait()
	stop()
	saving.Wait()
	if err := f.saveAll(t.Context()); err != nil {
		t.Fatal(err)
	}
	for p := range people {
		for n := range each {
			if !f.heardIt(fmt.Sprintf("word %d of %d", n, p)) {
				t.Errorf("word %d of %d is not heard", n, p)
			}
		}
		again := f.take(fmt.Sprint(100 + p))
		if err := f.load(t.Context(), again); err != nil {
			t.Fatal(err)
		}
		if got := again.read().Last; got != fmt.Sprint(1000+each-1) {
			t.Errorf("the talk of %d stands at %q", p, got)
		}
		f.leave(again)
	}
}

// What could not be taken in is read again with the next session, in this
// process too; what was taken in is not.
func TestWhatWasNotTakenInIsReadAgain(t *testing.T) {
	var tk talk
	for _, id := range []string{"11", "12", "13"} {
		tk.begin(id)
	}
	tk.took("11")
	tk.missed("12")
	tk.took("13")
	if tk.note.Last != "11" {
		t.Errorf("the note stands at %q, past what was not taken in", tk.note.Last)
	}
	if !tk.has("11") || tk.has("12") || !tk.has("13") || tk.has("14") {
		t.Error("what is read again is not what was missed")
	}
	tk.begin("12")
	if !tk.has("12") {
		t.Error("it is read again while it waits")
	}
	tk.took("12")
	if tk.note.Last != "13" || tk.has("14") || !tk.has("12") {
		t.Errorf("then the note stands at %q", tk.note.Last)
	}
}

// One account whose note or record can't be read keeps nobody else's history
// from being read, and is told of.
func TestHAZ22_OneOddNoteHoldsNobodyUp(t *testing.T) {
	f := newFront(t)
	for _, account := range []int{100, 101} {
		f.gets(t, "MESSAGE_CREATE", words100(account))
	}
	if err := errors.Join(f.saveAll(t.Context()), f.house.Store.Put(t.Context(), notePrefix+"odd", []byte(`{"user":`), store.AnyEtag, time.Time{})); err != nil {
		t.Fatal(err)
	}
	f.wall.said = map[string]string{"2100": `{"id":7,"author":[]`, "2101": `{"content":["odd"]},{"id":"5101","author":{"id":"101"},"content":"I can't breathe"}`}
	err := f.catchUp(t.Context(), "session")
	f.working.Wait()
	if err == nil || !strings.Contains(err.Error(), "note of the account odd") {
		t.Errorf("the odd note is not told of: %v", err)
	}
	if !f.heardIt(emergency) || !f.urgent(t, "101") {
		t.Errorf("the other's history is not read: %s", f.log)
	}
}

// A wait that Discord asks for is kept, and one that no platform means is not:
// nothing would ever go out again.
func TestAWaitOfYearsIsNotKept(t *testing.T) {
	for s, want := range map[float64]time.Duration{0.3: 300 * time.Millisecond, 65: 65 * time.Second, 0: 0, -1: 0, 1e9: 0, 1e300: 0, math.NaN(): 0} {
		if got := span(s); got != want {
			t.Errorf("%v seconds are %v, want %v", s, got, want)
		}
	}
}
