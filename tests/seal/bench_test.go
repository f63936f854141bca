package seal

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/seal"
	"turnstone/store/bolt"
	"turnstone/tests/house"
)

var monday = time.Date(2026, 3, 2, 10, 0, 0, 123456789, time.UTC)

// records are the records of people who gave random answers and have not come
// to the end: what a store holds most of.
func records(t testing.TB, n int) map[care.PersonID][]byte {
	t.Helper()
	p, err := house.Load()
	if err != nil {
		t.Fatal(err)
	}
	clock := house.NewClock(monday)
	m := house.NewMemory(clock.Now)
	h := house.Build(p, m, &house.Mailbox{Card: p.FixedCard}, clock.Now, slog.New(slog.DiscardHandler))
	r := rand.New(rand.NewPCG(3, 4)) // other numbers than those that the dictionary was made with
	names := seal.NewMasters()
	all := map[care.PersonID][]byte{}
	for i := range n {
		person := care.PersonID(names.Name("discord", fmt.Sprint(i)))
		if err := lead(h, clock, r, person); err != nil {
			t.Fatal(err)
		}
		was, err := m.Load(t.Context(), string(person))
		if err != nil {
			t.Fatal(err)
		}
		if was.Bytes != nil { // a child alone leaves nothing
			all[person] = was.Bytes
		}
	}
	return all
}

// BenchmarkOpenEpisode tells how many bytes an open episode takes, plain and
// compressed and sealed, without its log.
func BenchmarkOpenEpisode(b *testing.B) {
	all := records(b, 200)
	k := seal.NewKey()
	plain, packed, largest := 0, 0, 0
	for b.Loop() {
		plain, packed, largest = 0, 0, 0
		for person, data := range all {
			n := len(seal.Seal(k, seal.KeyID{}, string(person), data))
			plain, packed, largest = plain+len(data), packed+n, max(largest, n)
		}
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(plain)/float64(len(all)), "plain-B")
	b.ReportMetric(float64(packed)/float64(len(all)), "sealed-B")
	b.ReportMetric(float64(largest), "largest-B")
}

// BenchmarkCodec is writing and reading a record again, plain and with packing
// and seal around it. The ratio of the two is what sealing costs.
func BenchmarkCodec(b *testing.B) {
	var all [][]byte
	var decoded []record.Record
	for _, data := range records(b, 60) {
		r, err := record.Decode(data)
		if err != nil {
			b.Fatal(err)
		}
		all, decoded = append(all, data), append(decoded, r)
	}
	k := seal.NewKey()
	round := func(i int, around func([]byte) []byte) {
		data, err := record.Encode(decoded[i%len(all)])
		if err != nil {
			b.Fatal(err)
		}
		if _, err := record.Decode(around(data)); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("plain", func(b *testing.B) {
		for i := 0; b.Loop(); i++ {
			round(i, func(data []byte) []byte { return data })
		}
	})
	b.Run("sealed", func(b *testing.B) {
		for i := 0; b.Loop(); i++ {
			round(i, func(data []byte) []byte {
				back, err := seal.Open(k, "p", seal.Seal(k, seal.KeyID{}, "p", data))
				if err != nil {
					b.Fatal(err)
				}
				return back
			})
		}
	})
}

// BenchmarkTurn is one whole turn on disk, a typed word in, plain and sealed.
func BenchmarkTurn(b *testing.B) {
	p, err := house.Load()
	if err != nil {
		b.Fatal(err)
	}
	turn := func(b *testing.B, s house.Store) {
		h := house.Build(p, s, &house.Mailbox{}, time.Now, slog.New(slog.DiscardHandler))
		who := house.Caller("p", "en", "PT")
		n := 0
		do := func(ev care.Event) {
			n++
			ev.ID = care.EventID(fmt.Sprint(n))
			if err := h.Intake.Handle(context.Background(), who, ev); err != nil {
				b.Fatal(err)
			}
		}
		do(care.Event{Kind: care.Opened})
		for b.Loop() {
			do(care.Event{Kind: care.Said, Text: "what is kept"})
		}
	}
	b.Run("plain", func(b *testing.B) { turn(b, openBolt(b, b.TempDir())) })
	b.Run("sealed", func(b *testing.B) {
		turn(b, house.OpenFolder(b, filepath.Join(b.TempDir(), "store"), seal.NewMasters(), time.Now))
	})
}

func openBolt(t testing.TB, dir string) *bolt.Store {
	t.Helper()
	s, err := bolt.Open(dir, bolt.Options{Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}
