package drill

import (
	"context"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"turnstone/adapters/discord/double"
)

// What a person does by themselves, beside the thinking time of the drill
// (common practice, no source).
const (
	pressFails = 3200 * time.Millisecond // the platform says so after 3 seconds
	anew       = time.Second             // until somebody presses again what failed
	puzzled    = 3 * time.Second         // whoever wrote and is asked the same waits for more first
)

// lastTurn is the latest turn in which somebody writes of an emergency: a
// plain sprain has more questions than that before home care.
const lastTurn = 18

// A person is invented, and acts as one before the platform: sees what stands
// in the direct message, thinks, presses or types, and presses again what
// failed.
type person struct {
	who    *double.Person
	drill  *drill
	dice   *rand.Rand
	starts time.Time
	danger int    // the turn in which they write of an emergency; 0 is never
	words  string // what they write then

	hears chan double.Receipt
	since atomic.Int64 // since when they wait for an answer, in nanoseconds after the start; 0 is not at all
	done  atomic.Bool

	turn     int
	planned  time.Time // of this turn
	question double.Message
	wrote    bool // this turn's answer was typed
	waits    bool // this turn's answer is given
	press    string
	carded   bool
}

// live runs until the talk has come to its end, or ctx is done.
func (w *person) live(ctx context.Context) {
	w.planned = w.starts
	next := time.NewTimer(time.Until(w.starts))
	defer next.Stop()
	for !w.done.Load() {
		select {
		case <-ctx.Done():
			return
		case r := <-w.hears:
			if at, act := w.hear(r); act {
				next.Reset(time.Until(at))
			}
		case <-next.C:
			if w.press != "" {
				w.press = "" // it failed before their eyes
				next.Reset(anew)
				continue
			}
			w.act()
			if w.press != "" {
				next.Reset(pressFails)
			}
		}
	}
}

// hear takes a receipt, and says when the person does something about it.
func (w *person) hear(r double.Receipt) (at time.Time, act bool) {
	switch {
	case r.Saw == double.Answered && r.ID == w.press:
		w.press = ""
		return r.At.Add(time.Hour), true // nothing to do but wait
	case r.Saw != double.Brought || !r.Direct:
		return at, false
	}
	w.carded = w.carded || card(r.Message)
	think := w.drill.Think
	switch {
	case asks(r.Message):
		repeat := w.waits && same(w.question, r.Message)
		w.question, w.press = r.Message, ""
		if repeat && w.wrote {
			return r.At.Add(think + puzzled), true
		}
		if repeat {
			return r.At.Add(think), true
		}
		w.turn++
		w.planned = r.At.Add(think)
	case w.carded, ends(r.Message):
		w.since.Store(0)
		w.done.Store(true)
		return at, false
	default: // something is told, and the question stands: it is answered again
		return r.At.Add(think + puzzled), true
	}
	w.waits = false
	w.since.Store(0)
	return w.planned, true
}

// act does what this turn asks for, once more if need be.
func (w *person) act() {
	d := w.drill
	w.wrote, w.press = false, ""
	if !w.waits {
		w.since.Store(int64(time.Since(d.began)) + 1)
	}
	w.waits = true
	p := plan{at: w.planned, turn: w.turn}
	switch {
	case w.danger > 0 && w.turn >= w.danger && !w.carded:
		w.wrote, p.emergency = true, true
		d.note(p, func() string { return w.who.Write(w.words) })
	case w.turn == 0:
		w.press = d.note(p, func() string { return w.who.Command(d.channel, "ankle", nil).ID() })
	default:
		a := answerTo(w.question, w.dice)
		if a.button == "" {
			w.wrote = true
			d.note(p, func() string { return w.who.Write(a.typed) })
			return
		}
		w.press = d.note(p, func() string { return w.who.Press(w.question, a.button, a.choose...).ID() })
	}
}
