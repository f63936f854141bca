package patients

import (
	"bufio"
	"context"
	"io"
	"log/slog"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/store/bolt"
	"turnstone/tests/house"
	"turnstone/tests/talk"
)

// BenchmarkTurn is one whole turn over the embedded store on disk: a typed word
// in, screen, flow, gate, commit, delivery and its mark. The ceiling beside it
// is a bare commit and its mark on the same disk, in the same run.
func BenchmarkTurn(b *testing.B) {
	p, err := house.Load()
	if err != nil {
		b.Fatal(err)
	}
	s, err := bolt.Open(b.TempDir(), bolt.Options{Ballast: -1})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	})
	h := house.Build(p, s, &house.Mailbox{}, time.Now, slog.New(slog.DiscardHandler))
	who := house.Caller("p", "en", "PT")
	n := 0
	turn := func(ev care.Event) {
		n++
		ev.ID = care.EventID(strconv.Itoa(n))
		if err := h.Intake.Handle(context.Background(), who, ev); err != nil {
			b.Fatal(err)
		}
	}
	turn(care.Event{Kind: care.Opened})
	for b.Loop() {
		turn(care.Event{Kind: care.Said, Text: "what is kept"})
	}
}

// BenchmarkPut is the ceiling of BenchmarkTurn: two durable writes of a value
// of a record's size.
func BenchmarkPut(b *testing.B) {
	s, err := bolt.Open(b.TempDir(), bolt.Options{Ballast: -1})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	})
	value := make([]byte, 4096)
	for b.Loop() {
		for range 2 {
			if err := s.Put(context.Background(), "k", value, ^uint64(0), time.Time{}); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkStart is the time from the start of the built program to its first
// answer, with everything that is read and checked at start.
func BenchmarkStart(b *testing.B) {
	for b.Loop() {
		cmd := exec.Command(talk.Bot, "talk", "--json", "--region", "PT", "--at", talk.Monday)
		in, err := cmd.StdinPipe()
		if err != nil {
			b.Fatal(err)
		}
		out, err := cmd.StdoutPipe()
		if err != nil {
			b.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		if _, err := bufio.NewReader(out).ReadString('\n'); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		if err := in.Close(); err != nil {
			b.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, out); err != nil {
			b.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
	}
}
