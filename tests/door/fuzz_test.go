package door

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"

	"turnstone/adapters/data"
	"turnstone/tests/house"
)

// FuzzDoor gives the door of one process any bytes: it must end well, answer
// each line with exactly one ready, and write nothing but JSON.
func FuzzDoor(f *testing.F) {
	for _, line := range badLines {
		if len(line) < 1000 {
			f.Add([]byte(line + "\n" + `{"say":"none"}` + "\n"))
		}
	}
	f.Add([]byte(`{"choose":["none"]}` + "\n" + `{"choose":["foot_numb"]}` + "\n" + `{"choose":["no"]}` + "\n" + `{"wait":"P1D"}` + "\n" + `{"say":"stop"}`))
	f.Add([]byte(`{"say":"i can't breathe"}` + "\n\n\n" + `{"wait":"PT30M"}`))
	f.Add([]byte("\xff\x00{\n\r\n"))
	parts, err := house.Load()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		var out bytes.Buffer
		clock := data.NewClock(time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC))
		door := data.New(bytes.NewReader(in), &out, clock)
		door.Fixed = parts.FixedCard
		h := house.Build(parts, house.NewMemory(clock.Now), door, clock.Now, slog.New(slog.DiscardHandler))
		h.Intake.Committed = door.Committed
		caller := house.Caller("p", "en", "PT")
		if err := door.Run(context.Background(), data.House{Caller: caller, Intake: h.Intake, Outbox: h.Outbox}); err != nil {
			t.Fatal(err)
		}
		ready := 0
		for line := range strings.SplitSeq(strings.TrimSuffix(out.String(), "\n"), "\n") {
			var l struct{ Type string }
			if err := json.Unmarshal([]byte(line), &l); err != nil || l.Type == "" {
				t.Fatalf("a line out is %q: %v", line, err)
			}
			if l.Type == "ready" {
				ready++
			}
		}
		if want := 1 + linesIn(in); ready != want {
			t.Fatalf("%d times ready, want %d, of %q", ready, want, in)
		}
	})
}

// linesIn counts the lines of an input; the last one needs no end.
func linesIn(in []byte) int {
	n := bytes.Count(in, []byte("\n"))
	if len(in) > 0 && in[len(in)-1] != '\n' {
		n++
	}
	return n
}
