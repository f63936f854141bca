package record

import (
	"errors"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/store"
)

func someone() Record {
	return Record{
		Address: "local:p1", Account: "p1",
		Episode: care.Episode{
			ID: "e", Protocol: "ankle@1", State: "day_0.danger_a", Disposition: care.SameDay,
			Rounds: []care.Round{{Key: "day_0", Talk: "day_0", Facts: care.Answers{{Fact: "navicular", Values: []string{"yes", "no"}}}}},
			Agenda: []care.Item{
				{ID: "e-1", What: care.DoSay, Due: time.Unix(100, 0), Urgent: true, Say: &care.Message{Lines: []care.Sentence{{Key: "intro", Args: map[string]string{"number": "112"}}}}},
				{ID: "e-2", What: "day_2", Due: time.Unix(900, 0)},
				{ID: "e-3", What: "day_3", Due: time.Unix(800, 0)},
			},
		},
	}
}

func TestRecordComesBackAsItWas(t *testing.T) {
	data, err := Encode(someone())
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(data)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Encode(back)
	if err != nil {
		t.Fatal(err)
	}
	if string(again) != string(data) {
		t.Errorf("got  %s\nwant %s", again, data)
	}
}

func TestRecordRefusesWhatItCannotRead(t *testing.T) {
	if _, err := Decode([]byte{9, '{', '}'}); !errors.Is(err, store.ErrNewer) {
		t.Errorf("unknown codec: %v", err)
	}
	for _, data := range [][]byte{{}, {0}, {0, '{'}, {0, '['}} {
		if _, err := Decode(data); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%v: %v", data, err)
		}
	}
}

// Each lane gets its earliest due time. What is to be said now is due before
// everything else, also by a clock that was set back.
func TestWriteGivesEachLaneItsEarliest(t *testing.T) {
	w, err := Write("p", store.Etag{}, Nonce(), someone(), []care.Line{{Type: care.LinePlanned, What: "day_2"}}, time.Unix(50, 0))
	if err != nil {
		t.Fatal(err)
	}
	if !w.Due[store.Urgent].Equal(time.Unix(0, 0)) || !w.Due[store.Routine].Equal(time.Unix(800, 0)) || len(w.Log) != 1 {
		t.Errorf("due %v, %d lines", w.Due, len(w.Log))
	}
	if err := w.Check(); err != nil {
		t.Error(err)
	}
}

// Somebody who is to be forgotten is erased as soon as nothing is left to say,
// and not one line is written about them before.
func TestHAZ26_ErasingWritesNothingMore(t *testing.T) {
	r := someone()
	r.Episode.Erasing = true
	w, err := Write("p", store.Etag{}, Nonce(), r, []care.Line{{Type: care.LineSent}}, time.Unix(50, 0))
	if err != nil || len(w.Log) != 0 || w.Bytes == nil {
		t.Errorf("with a farewell: %d lines, %d bytes, %v", len(w.Log), len(w.Bytes), err)
	}
	r.Episode.Agenda = nil
	w, err = Write("p", store.Etag{}, Nonce(), r, []care.Line{{Type: care.LineSent}}, time.Unix(50, 0))
	if err != nil || w.Bytes != nil || len(w.Log) != 0 {
		t.Errorf("at the end: %d lines, %d bytes, %v", len(w.Log), len(w.Bytes), err)
	}
}

// A repeated event is known by its ID, the last 32 of them.
func TestHAZ21_ARepeatedEventIsKnown(t *testing.T) {
	var r Record
	for i := range 40 {
		r.Note(care.EventID(rune('a' + i)))
	}
	if r.HasSeen("a") || !r.HasSeen(care.EventID(rune('a'+39))) || !r.HasSeen(care.EventID(rune('a'+8))) || len(r.Seen) != 32 {
		t.Errorf("%d remembered", len(r.Seen))
	}
}
