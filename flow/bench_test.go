package flow

import (
	"context"
	"testing"
	"time"

	"github.com/looplab/fsm"

	"turnstone/care"
)

// BenchmarkStep prints the cost of one Step as a multiple of a bare
// looplab/fsm event on the same table in the same run ("x-fsm").
func BenchmarkStep(b *testing.B) {
	f := newFlow(b)
	p := newPerson(b, f, time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC), "Europe/Lisbon", nil)
	for p.ep.State != "day_0.heel_cord" {
		p.answer()
	}
	machine := fsm.NewFSM("day_0.heel_cord", f.current.table.events, fsm.Callbacks{})
	ctx := context.Background()
	ev := care.Event{ID: "e", Kind: care.Chose, Choices: []string{"no"}}
	var steps, bare time.Duration
	for b.Loop() {
		start := time.Now()
		if _, err := f.Step(p.ep, ev, care.Finding{}, p.now); err != nil {
			b.Fatal(err)
		}
		mid := time.Now()
		machine.SetState("day_0.heel_cord")
		if err := machine.Event(ctx, evAnswered); err != nil {
			b.Fatal(err)
		}
		steps += mid.Sub(start)
		bare += time.Since(mid)
	}
	b.ReportMetric(float64(steps)/float64(bare), "x-fsm")
	b.ReportMetric(float64(steps.Nanoseconds())/float64(b.N), "ns/step")
}
