package staff_test

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/staff"
	"turnstone/store"
	"turnstone/tests/house"
)

type bench struct {
	*staff.Members
	desk  *staff.Desk
	store *house.Memory
	clock *house.Clock
	did   []care.StaffAct
}

// Staff keeps what went through the desk.
func (b *bench) Staff(_ context.Context, act care.StaffAct) error {
	b.did = append(b.did, act)
	return nil
}

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{clock: house.NewClock(time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC))}
	b.store = house.NewMemory(b.clock.Now)
	b.Members = &staff.Members{Store: b.store, Now: b.clock.Now, Hide: func(kind, plain string) string { return "hidden-" + kind + "-" + plain }}
	watch := &staff.Watch{Store: b.store, Now: b.clock.Now, Fault: func(err error) { t.Error(err) }}
	b.desk = &staff.Desk{Store: b.store, Members: b.Members, Intake: b, Watch: watch, Now: b.clock.Now}
	return b
}

func (b *bench) add(t *testing.T, name string, may ...staff.Right) staff.Member {
	t.Helper()
	m, err := b.Add(t.Context(), "operator", name, "nurse", may)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func (b *bench) card(t *testing.T, e care.Escalation) {
	t.Helper()
	data, err := record.Card{Person: "p", Episode: "e", Escalation: e}.Encode()
	if err == nil {
		err = b.store.Put(t.Context(), record.CardKey(e.ID), data, store.AnyEtag, time.Time{})
	}
	if err != nil {
		t.Fatal(err)
	}
}

func (b *bench) audited(t *testing.T) (rows []record.Audit) {
	t.Helper()
	list, err := b.store.List(t.Context(), record.AuditPrefix)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range list {
		var a record.Audit
		if err := json.Unmarshal(v.Bytes, &a); err != nil {
			t.Fatal(err)
		}
		rows = append(rows, a)
	}
	return rows
}

func TestTheFirstMemberMayDoEverythingAndTheSecondWhatIsNamed(t *testing.T) {
	b := newBench(t)
	if _, err := b.Staffed(t.Context()); !errors.Is(err, staff.ErrUnstaffed) {
		t.Errorf("nobody is there, and it says %v", err)
	}
	if m := b.add(t, "Rui", staff.See); !m.Has(staff.Rights...) {
		t.Errorf("the first member may %v", m.May)
	}
	if m := b.add(t, "Ana", staff.See); m.Has(staff.Take) {
		t.Errorf("the second may %v", m.May)
	}
	if n, err := b.Staffed(t.Context()); n != 1 || err != nil {
		t.Errorf("%d may take, %v", n, err)
	}
	for what, add := range map[string]func() error{
		"the same name in capitals": func() error { _, err := b.Add(t.Context(), "o", "ANA", "", staff.Rights); return err },
		"no right":                  func() error { _, err := b.Add(t.Context(), "o", "Zoe", "", nil); return err },
		"take without see":          func() error { _, err := b.Add(t.Context(), "o", "Zoe", "", []staff.Right{staff.Take}); return err },
		"two lines":                 func() error { _, err := b.Add(t.Context(), "o", "Zoe\nRui", "", staff.Rights); return err },
		"a mark as a signature":     func() error { _, err := b.Add(t.Context(), "o", "Rui (nurse)", "", staff.Rights); return err },
		"an unknown right":          func() error { _, err := staff.ParseRights("see,everything"); return err },
	} {
		if add() == nil {
			t.Errorf("%s: taken", what)
		}
	}
}

// Nobody is removed who alone has a right that somebody must have.
func TestHAZ33_TheLastOneWithARightStays(t *testing.T) {
	for right, others := range map[staff.Right][]staff.Right{
		staff.Settings:  {staff.See, staff.Take, staff.Sensitive},
		staff.Take:      {staff.See, staff.Sensitive, staff.Settings},
		staff.Sensitive: {staff.See, staff.Take, staff.Settings},
	} {
		b := newBench(t)
		b.add(t, "Rui")
		if err := b.Remove(t.Context(), "operator", "Rui"); !errors.Is(err, staff.ErrMayNot) {
			t.Errorf("the only member was removed: %v", err)
		}
		b.add(t, "Ana", others...)
		if err := b.Remove(t.Context(), "operator", "Rui"); !errors.Is(err, staff.ErrMayNot) || !strings.Contains(err.Error(), string(right)) {
			t.Errorf("the only one with the right %s was removed: %v", right, err)
		}
		b.add(t, "Zoe", staff.See, right)
		if err := b.Remove(t.Context(), "operator", "Rui"); err != nil {
			t.Error(err)
		}
	}
}

// A code counts once and for a day, also when two accounts hand it in at the
// same moment; and it goes with its member.
func TestHAZ25_ACodeCountsOnce(t *testing.T) {
	b := newBench(t)
	b.add(t, "Rui")
	code, until, err := b.Code(t.Context(), "operator", "rui")
	if err != nil || !staff.Looks(code) || !staff.Looks(" "+strings.ToLower(code)+" ") || until.Sub(b.clock.Now()) != 24*time.Hour {
		t.Fatalf("the code %q counts until %v: %v", code, until, err)
	}
	if staff.Looks("hello-there") || staff.Looks("AB") || staff.Looks("no-one") {
		t.Error("a word is taken for a code")
	}
	list, err := b.store.List(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range list {
		if strings.Contains(string(v.Bytes), code) {
			t.Errorf("the code stands in %s", v.Key)
		}
	}
	var won atomic.Int32
	var wg sync.WaitGroup
	for _, account := range []string{"one", "two", "three", "four"} {
		wg.Go(func() {
			if _, err := b.Tie(context.Background(), "discord", account, code); err == nil {
				won.Add(1)
			} else if !errors.Is(err, staff.ErrCode) {
				t.Errorf("the answer is %v", err)
			}
		})
	}
	wg.Wait()
	if won.Load() != 1 {
		t.Errorf("%d accounts were tied with one code", won.Load())
	}
	old, _, err := b.Code(t.Context(), "operator", "Rui")
	if err != nil {
		t.Fatal(err)
	}
	b.clock.Pass(24 * time.Hour)
	if _, err := b.Tie(t.Context(), "discord", "late", old); !errors.Is(err, staff.ErrCode) {
		t.Errorf("a code of yesterday: %v", err)
	}
}

// A second account takes the place of the first, and nothing is left to a
// name that is given anew.
func TestHAZ25_ATieGoesWithItsMember(t *testing.T) {
	b := newBench(t)
	b.add(t, "Rui")
	b.add(t, "Ana", staff.See)
	tie := func(name, account string) {
		code, _, err := b.Code(t.Context(), "operator", name)
		if err == nil {
			_, err = b.Tie(t.Context(), "discord", account, code)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	tie("Ana", "one")
	tie("Ana", "two")
	if _, err := b.By(t.Context(), "discord", "one"); !errors.Is(err, staff.ErrNobody) {
		t.Errorf("the account of before still counts: %v", err)
	}
	if m, err := b.By(t.Context(), "discord", "two"); err != nil || m.Name != "Ana" {
		t.Errorf("the account is %q's: %v", m.Name, err)
	}
	if _, err := b.By(t.Context(), "elsewhere", "two"); !errors.Is(err, staff.ErrNobody) {
		t.Errorf("the same account of another platform: %v", err)
	}
	stray, _, err := b.Code(t.Context(), "operator", "Ana")
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Remove(t.Context(), "operator", "Ana"); err != nil {
		t.Fatal(err)
	}
	b.add(t, "Ana", staff.Rights...)
	if _, err := b.By(t.Context(), "discord", "two"); !errors.Is(err, staff.ErrNobody) {
		t.Errorf("the tie of the Ana before: %v", err)
	}
	if _, err := b.Tie(t.Context(), "discord", "three", stray); !errors.Is(err, staff.ErrCode) {
		t.Errorf("the code of the Ana before: %v", err)
	}
}
