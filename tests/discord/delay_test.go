package discord_test

import (
	"net/http"
	"slices"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
)

// atOnce is how many people write of an emergency in one moment.
const atOnce = 20

// BenchmarkEmergencyToCard has people write of an emergency in the middle of a
// talk, while something fails, and tells how long until the card stands before
// them, by what the stand-in has: the half and the slowest hundredth. The table
// in docs/faults.md is made by
//
//	go test ./tests/discord -run '^$' -bench EmergencyToCard -benchtime 5x
func BenchmarkEmergencyToCard(b *testing.B) {
	for _, c := range []struct {
		name string
		fail func(s *stage)
	}{
		{"nothing fails", func(*stage) {}},
		{"the line is cut", func(s *stage) { s.p.Drop() }},
		{"asked to move (op 7)", func(s *stage) { s.p.Move() }},
		{"session gone (op 9)", func(s *stage) { s.p.Invalidate() }},
		{"429", func(s *stage) { s.p.Fail(tooMany(false)) }},
		{"429 for everything", func(s *stage) { s.p.Fail(tooMany(true)) }},
		{"503", func(s *stage) { s.p.Fail(double.Fault{Match: "channels/", Status: 503, Times: atOnce}) }},
		{"calls cut", func(s *stage) { s.p.Fail(double.Fault{Match: "channels/", Times: atOnce}) }},
		{"each call takes 700 ms", func(s *stage) {
			s.p.Fail(double.Fault{Match: "channels/", Wait: 700 * time.Millisecond, Times: 3 * atOnce})
		}},
		{"each commit takes 900 ms", func(s *stage) { s.store.Slow(900 * time.Millisecond) }},
		{"the store is down", func(s *stage) { s.store.Down(true) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			round := func(fail func(*stage)) []time.Duration {
				s := newStage(b)
				s.up()
				defer s.down()
				return s.cards(fail)
			}
			round(func(*stage) {}) // the first of a process is slow, and no matter
			var took []time.Duration
			for b.Loop() {
				took = append(took, round(c.fail)...)
			}
			slices.Sort(took)
			b.ReportMetric(float64(share(took, 0.5).Milliseconds()), "p50-ms")
			b.ReportMetric(float64(share(took, 0.99).Milliseconds()), "p99-ms")
			b.ReportMetric(0, "ns/op") // the time of a round is that of its fault
		})
	}
}

func tooMany(all bool) double.Fault {
	f := double.Fault{Match: "channels/", Status: 429, Header: http.Header{"Content-Type": {"application/json"}}, Body: `{"message":"slow","retry_after":0.3,"global":false}`, Times: atOnce}
	if all {
		f.Body, f.Times = `{"message":"slow","retry_after":1,"global":true}`, 1
	}
	return f
}

// cards lets people write of an emergency under a fault, and gives how long
// each waited for the card.
func (s *stage) cards(fail func(*stage)) []time.Duration {
	s.t.Helper()
	people := s.asked(atOnce)
	fail(s)
	born, took := make([]time.Time, len(people)), make([]time.Duration, len(people))
	for i, who := range people {
		born[i] = time.Now()
		who.Write("I can't breathe")
	}
	if !s.p.Until(patience, func() bool {
		all := true
		for i, who := range people {
			if took[i] == 0 && has("EMERGENCY")(who.Direct()) {
				took[i] = time.Since(born[i])
			}
			all = all && took[i] != 0
		}
		return all
	}) {
		s.t.Fatalf("somebody never reads the card: %v", took)
	}
	s.store.Slow(0)
	s.store.Down(false)
	return took
}
