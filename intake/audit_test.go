package intake_test

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/outbox"
	"turnstone/record"
)

// Every act of staff leaves one row in its own commit, and one that is refused
// leaves none. A row holds nothing that anybody wrote.
func TestHAZ26_EachStaffActIsAuditedWithoutWords(t *testing.T) {
	b := newBench(t)
	b.must("p", open(), chose("foot_cold_or_pale"))
	id := b.cards()[0].Escalation.ID
	for _, act := range []care.StaffAct{
		{Do: care.ActTake, ID: id, By: "Rui"},
		{Do: care.ActReply, ID: id, By: "Rui", Text: "a word like Xylophone"},
		{Do: care.ActClose, ID: id, By: "Rui", Outcome: "seen", Note: "Xylophone"},
	} {
		if err := b.act(act); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.take(id, "Ana"); !errors.Is(err, care.ErrStaff) {
		t.Fatalf("a closed item was taken: %v", err)
	}
	rows, err := b.store.List(context.Background(), record.AuditPrefix)
	if err != nil {
		t.Fatal(err)
	}
	var did []string
	for _, r := range rows {
		var a record.Audit
		if err := json.Unmarshal(r.Bytes, &a); err != nil {
			t.Fatal(err)
		}
		if a.By != "Rui" || a.ID != id || !a.At.Equal(b.clock.Now()) || strings.Contains(string(r.Bytes), "Xylophone") {
			t.Errorf("a row reads %s", r.Bytes)
		}
		did = append(did, a.Do)
	}
	if len(did) != 3 {
		t.Errorf("audited: %v", did)
	}
}

// A press that the platform delivers twice is done once; and staff whose act
// is kept are not told that it failed when the channel is down: they would do
// it again, and the person would read it twice.
func TestHAZ21_AStaffPressIsDoneOnce(t *testing.T) {
	b := newBench(t)
	b.must("p", open(), chose("foot_cold_or_pale"))
	id := b.cards()[0].Escalation.ID
	pressed := 0
	b.Intake.Acted = func(context.Context) { pressed++ }
	before := len(b.box.Sent())
	b.box.Failing(func(outbox.Message) error { return errors.New("the channel is down") })
	reply := care.StaffAct{Do: care.ActReply, ID: id, By: "Rui", Text: "We ring you now.", Event: "press-1"}
	for range 3 {
		if err := b.act(reply); err != nil {
			t.Fatalf("staff are told %v", err)
		}
	}
	b.box.Failing(nil)
	b.clock.Pass(record.UrgentLease)
	if _, err := b.Outbox.Sweep(context.Background()); err != nil {
		t.Fatal(err)
	}
	said := 0
	for _, m := range b.box.Sent()[before:] {
		said += strings.Count(m.Text, "We ring you now.")
	}
	if said != 1 || pressed != 1 {
		t.Errorf("the person reads it %d times, and %d presses were counted", said, pressed)
	}
}
