package staff_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/staff"
)

func TestHAZ24_TheMostUrgentStandsFirst(t *testing.T) {
	b := newBench(t)
	rui := b.add(t, "Rui")
	now := b.clock.Now()
	for i := range 200 {
		b.card(t, care.Escalation{ID: "mild-" + string(rune('a'+i%26)) + strings.Repeat("x", i/26), Disposition: care.Clinician, Since: now.Add(-time.Duration(i) * time.Minute)})
	}
	for _, e := range []care.Escalation{
		{ID: "real", Disposition: care.Ambulance, Since: now},
		{ID: "waits", Disposition: care.SameDay, Since: now.Add(-time.Hour)},
		{ID: "new", Disposition: care.SameDay, Since: now},
		{ID: "hers", Disposition: care.SameDay, State: care.StateTaken, By: "Ana"},
		{ID: "number", Disposition: care.SameDay, State: care.StateTaken, By: "Ana", Phone: "+351 291 000 000"},
		{ID: "today", Disposition: care.SameDay, State: care.StateClosed, At: now.Add(-time.Hour)},
		{ID: "yesterday", Disposition: care.SameDay, State: care.StateClosed, At: now.Add(-24 * time.Hour)},
	} {
		b.card(t, e)
	}
	list, err := b.desk.List(t.Context(), rui)
	if err != nil {
		t.Fatal(err)
	}
	ids := func(h staff.Heading) (out []string) {
		for _, it := range list[h] {
			out = append(out, it.ID)
		}
		return out
	}
	if got := ids(staff.Nobody); len(got) != 203 || !slices.Equal(got[:3], []string{"real", "waits", "new"}) {
		t.Errorf("nobody has %d, and they begin with %v", len(got), got[:3])
	}
	for h, want := range map[staff.Heading]string{staff.Somebody: "hers", staff.Phone: "number", staff.Finished: "today"} {
		if got := ids(h); len(got) != 1 || got[0] != want {
			t.Errorf("heading %d holds %v, not %s", h, got, want)
		}
	}
}

// What is sensitive is there for those with the right only, and each look
// leaves a row, which comes first.
func TestHAZ26_EachLookIsAuditedAndSensitiveItemsNeedTheRight(t *testing.T) {
	b := newBench(t)
	rui, ana := b.add(t, "Rui"), b.add(t, "Ana", staff.See, staff.Take)
	keys := b.add(t, "Eva", staff.Settings)
	b.card(t, care.Escalation{ID: "plain", Disposition: care.SameDay, State: care.StateTaken, By: "Ana", Phone: "+351 291 000 000", Because: []string{"wound"}})
	b.card(t, care.Escalation{ID: "private", Disposition: care.Ambulance, Sensitive: true, Because: []string{"attacked"}})
	before := len(b.audited(t))
	if list, err := b.desk.List(t.Context(), ana); err != nil || len(list[staff.Nobody]) != 0 {
		t.Errorf("the list shows Ana %v: %v", list[staff.Nobody], err)
	}
	for _, who := range []staff.Member{ana, keys} {
		if _, err := b.desk.Look(t.Context(), who, "private"); err == nil {
			t.Errorf("%s may look at a private item", who.Name)
		}
		if err := b.desk.Do(t.Context(), who, care.StaffAct{Do: care.ActTake, ID: "private"}); err == nil {
			t.Errorf("%s may take a private item", who.Name)
		}
	}
	if _, err := b.desk.List(t.Context(), keys); !errors.Is(err, staff.ErrMayNot) {
		t.Errorf("whoever changes settings sees the list: %v", err)
	}
	if err := b.desk.Do(t.Context(), rui, care.StaffAct{Do: care.ActHandOn, ID: "private", To: "Ana"}); !errors.Is(err, care.ErrStaff) {
		t.Errorf("a private item was passed to somebody without the right: %v", err)
	}
	if n := len(b.audited(t)); n != before {
		t.Errorf("%d rows about what was refused", n-before)
	}
	if l, err := b.desk.Look(t.Context(), rui, "private"); err != nil || !slices.Equal(l.Because, []string{"attacked"}) {
		t.Errorf("Rui sees %+v: %v", l, err)
	}
	l, err := b.desk.Look(t.Context(), rui, "plain")
	if err != nil || l.Phone != "" {
		t.Errorf("the number is shown to Rui, who has not taken it: %q %v", l.Phone, err)
	}
	if l, err = b.desk.Look(t.Context(), ana, "plain"); err != nil || l.Phone == "" {
		t.Errorf("the number is not shown to Ana, who has it: %v", err)
	}
	var looks []string
	for _, a := range b.audited(t) {
		if a.Do == "look" {
			looks = append(looks, a.By+" "+a.ID)
		}
	}
	slices.Sort(looks)
	if !slices.Equal(looks, []string{"Ana plain", "Rui plain", "Rui private"}) {
		t.Errorf("audited: %v", looks)
	}
}

func TestHAZ23_ClosingAnEmergencyNeedsANoteAndLoweringTheRight(t *testing.T) {
	b := newBench(t)
	b.add(t, "Rui")
	ana := b.add(t, "Ana", staff.See, staff.Take)
	b.card(t, care.Escalation{ID: "x", Disposition: care.Emergency})
	for what, act := range map[string]care.StaffAct{
		"no note":             {Do: care.ActClose, ID: "x", Outcome: "seen"},
		"a space for a note":  {Do: care.ActClose, ID: "x", Outcome: "seen", Note: " "},
		"lower":               {Do: care.ActLower, ID: "x", Disposition: care.Home, Note: "X-ray clear"},
		"lower while closing": {Do: care.ActClose, ID: "x", Outcome: "seen", Note: "x", Disposition: care.Home},
		"to nobody":           {Do: care.ActHandOn, ID: "x", To: "Zoe"},
		"no such item":        {Do: care.ActTake, ID: "y"},
	} {
		if err := b.desk.Do(t.Context(), ana, act); !errors.Is(err, care.ErrStaff) && !errors.Is(err, staff.ErrMayNot) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if len(b.did) != 0 {
		t.Errorf("done: %v", b.did)
	}
	if err := b.desk.Do(t.Context(), ana, care.StaffAct{Do: care.ActClose, ID: "x", Outcome: "seen", Note: "seen by us", By: "Somebody else"}); err != nil || len(b.did) != 1 || b.did[0].By != "Ana" || b.did[0].Role != "nurse" {
		t.Errorf("closed: %v %v", b.did, err)
	}
}

// Somebody is there for half an hour after a press, and a new start knows it.
func TestHAZ08_APressIsKept(t *testing.T) {
	b := newBench(t)
	w := b.desk.Watch
	if !w.Pressed().IsZero() {
		t.Error("somebody is there before any press")
	}
	rui := b.add(t, "Rui")
	b.card(t, care.Escalation{ID: "x", Disposition: care.SameDay})
	if _, err := b.desk.List(t.Context(), rui); err != nil || !w.Pressed().IsZero() {
		t.Errorf("a list that stands open counts as a press: %v", err)
	}
	if _, err := b.desk.Look(t.Context(), rui, "x"); err != nil || !w.Pressed().Equal(b.clock.Now()) {
		t.Errorf("a look is no press: %v", err)
	}
	again := &staff.Watch{Store: b.store, Now: b.clock.Now, Fault: w.Fault}
	if err := again.Read(t.Context()); err != nil || !again.Pressed().Equal(b.clock.Now()) {
		t.Errorf("after a start the last press was at %v: %v", again.Pressed(), err)
	}
}
