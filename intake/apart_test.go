package intake_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
)

// closes lets a person's episode be over, with all that staff have of it.
func (b *bench) closes(person care.PersonID) {
	b.t.Helper()
	was, err := b.store.Memory.Load(context.Background(), string(person))
	if err != nil {
		b.t.Fatal(err)
	}
	r, err := record.Decode(was.Bytes)
	if err != nil {
		b.t.Fatal(err)
	}
	r.Episode.State, r.Episode.Closed, r.Episode.Ask = "closed", true, nil
	w, err := record.Write(person, was.Etag, record.Nonce(), r, nil, b.clock.Now())
	if err == nil {
		err = b.store.Memory.Commit(context.Background(), w)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) sweepAfter(d time.Duration) {
	b.t.Helper()
	b.clock.Pass(d)
	if _, err := b.Outbox.Sweep(context.Background()); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) chased(person care.PersonID, id string) (what []string) {
	b.t.Helper()
	for _, it := range b.episode(person).Agenda {
		if it.About == id && it.What != care.DoRaise {
			what = append(what, it.What)
		}
	}
	return what
}

// An item that nobody took is asked about again also after its episode has
// closed and the person has begun a new one: on into a new emergency, and as
// often as it is put back. The person is told of the new episode alone.
func TestHAZ08_AnItemOfAnEpisodeThatIsOverIsChased(t *testing.T) {
	b := newBench(t)
	b.toTheSide("p")
	b.must("p", said("human please"))
	id, old := b.cards()[0].Escalation.ID, b.episode("p").ID
	b.closes("p")
	b.must("p", said("hello"))
	if b.episode("p").ID == old {
		t.Fatal("no new episode begins")
	}
	want := []string{care.DoAskStaff, care.DoSecondList}
	if got := b.chased("p", id); !slices.Equal(got, want) {
		t.Fatalf("about the item is planned %q", got)
	}
	b.must("p", said("i cannot breathe"))
	if got := b.chased("p", id); !slices.Equal(got, want) {
		t.Errorf("in an emergency is planned %q", got)
	}
	card := func() care.Escalation {
		t.Helper()
		for _, c := range b.cards() {
			if c.Escalation.ID == id {
				return c.Escalation
			}
		}
		t.Fatal("the item is not on the list")
		return care.Escalation{}
	}
	b.sweepAfter(24 * time.Hour)
	if e := card(); e.Asked != 1 || e.SecondList || e.State != care.StateOpen {
		t.Errorf("after a day the item is %+v", e)
	}
	before := len(b.box.Sent())
	b.sweepAfter(24 * time.Hour)
	if e := card(); e.Asked != 2 || !e.SecondList {
		t.Errorf("after two days the item is %+v", e)
	}
	for _, m := range b.box.Sent()[before:] {
		if strings.Contains(m.Text, "answered") {
			t.Errorf("the person reads %q", m.Text)
		}
	}
	if got := b.chased("p", id); got != nil {
		t.Errorf("after the second list is planned %q", got)
	}
	if err := b.act(care.StaffAct{Do: care.ActTake, ID: id, By: "Rui"}); err != nil {
		t.Fatal(err)
	}
	if err := b.act(care.StaffAct{Do: care.ActClose, ID: id, By: "Rui", Outcome: care.Outcomes[0], Note: "seen"}); err != nil {
		t.Fatal(err)
	}
	for _, c := range b.cards() { // the new emergency is over too
		if c.Escalation.ID == id {
			continue
		}
		if err := b.act(care.StaffAct{Do: care.ActClose, ID: c.Escalation.ID, By: "Rui", Outcome: care.Outcomes[0], Note: "seen"}); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.act(care.StaffAct{Do: care.ActReopen, ID: id, By: "Rui"}); err != nil {
		t.Fatal(err)
	}
	if got := b.chased("p", id); !slices.Equal(got, want) {
		t.Errorf("opened again, about the item is planned %q", got)
	}
	if err := b.act(care.StaffAct{Do: care.ActTake, ID: id, By: "Rui"}); err != nil {
		t.Fatal(err)
	}
	if got := b.chased("p", id); slices.Contains(got, care.DoAskStaff) {
		t.Errorf("taken, about the item is planned %q", got)
	}
}

// TestHAZ08_WhatStaffDoHasAnIDOfItsOwn: a channel takes a message whose ID was
// there before for a repeat, so what staff say about an item of an episode that
// is over must not come under an ID that the episode used after the item.
func TestHAZ08_WhatStaffDoHasAnIDOfItsOwn(t *testing.T) {
	b := newBench(t)
	b.toTheSide("p")
	b.must("p", said("human please"))
	id, old := b.cards()[0].Escalation.ID, b.episode("p").ID
	for range 6 { // the episode says more after the item
		b.must("p", said("why"))
	}
	b.closes("p")
	b.must("p", said("hello"))
	if b.episode("p").ID == old {
		t.Fatal("no new episode begins")
	}
	for _, do := range []string{care.ActTake, care.ActFree, care.ActTake} {
		if err := b.act(care.StaffAct{Do: do, ID: id, By: "Rui"}); err != nil {
			t.Fatal(err)
		}
		b.must("p", said("hello")) // what waits behind a neutral line is read
	}
	texts, ours := map[care.ItemID]string{}, 0
	for _, m := range b.box.Sent() {
		if was, twice := texts[m.ID]; twice && was != m.Text {
			t.Errorf("%s was %q and is %q", m.ID, was, m.Text)
		}
		texts[m.ID] = m.Text
		if strings.HasPrefix(string(m.ID), id+"-") {
			ours++
		}
	}
	if ours == 0 {
		t.Errorf("nothing that was sent is about the item: %v", texts)
	}
}
