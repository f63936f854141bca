package redis

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/store"
	"turnstone/tests/redis/servers"
)

// The ceiling of a commit is what redis-benchmark, a program in C that does
// nothing else, gets out of the same server with the same script and the same
// payload. Both are measured in turn, and what counts is the median of their
// ratios.
//
//	go test ./store/redis -bench . -run '^$' -benchtime 1x
const (
	benchRounds = 5
	benchTime   = 800 * time.Millisecond // of each in a round
	benchPeople = 20_000
)

func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}

func benchPerson(i int) string { return fmt.Sprintf("%024x", uint64(i)*2_654_435_761) }

func benchWrite(i int, read store.Etag, size int) store.Write {
	w := store.Write{
		Person: benchPerson(i), Read: read, Next: read.Next([8]byte{1, byte(i), byte(i >> 8), byte(rand.Uint32())}),
		Bytes: make([]byte, size), Now: time.Now(),
	}
	w.Due[store.Routine] = time.Unix(4_000_000_000+int64(i)*7919%250_000, 0)
	return w
}

func fillBench(b *testing.B, s *Store, people, size int) []store.Etag {
	b.Helper()
	versions := make([]store.Etag, people)
	var wg sync.WaitGroup
	for first := range 64 {
		wg.Go(func() {
			for i := first; i < people; i += 64 {
				w := benchWrite(i, store.Etag{}, size)
				if err := s.Commit(background, w); err != nil {
					b.Error(err)
					return
				}
				versions[i] = w.Next
			}
		})
	}
	wg.Wait()
	return versions
}

// bare runs redis-benchmark with 64 connections: EVALSHA of the commit's
// script with 1 KB, each a repeat of a commit on somebody of its own, so that
// every one is compared, written and placed as a real one is.
func bare(b *testing.B, server *servers.Server, requests int) float64 {
	b.Helper()
	path, err := exec.LookPath("redis-benchmark")
	if err != nil {
		b.Fatal("redis-benchmark is missing; install it: apt-get install redis-tools")
	}
	// Each is a first commit: __rand_int__ makes a new person, whose partition is the same.
	person := "bench-__rand_int__"
	w := store.Write{Person: person, Next: store.Etag{}.Next([8]byte{1}), Bytes: []byte(strings.Repeat("x", 1024))}
	w.Due[store.Routine] = time.Unix(4_000_000_000, 0)
	value := stored{etag: w.Next, due: [2]int64{never, moment(w.Due[store.Routine])}, record: w.Bytes}
	keys, args := commitCall(partition(7), w, value)
	line := []string{
		"-p", strconv.Itoa(server.Port), "-c", "64", "-n", strconv.Itoa(requests), "-r", "1000000000", "--csv",
		"EVALSHA", commitScript.name, strconv.Itoa(len(keys)),
	}
	line = append(line, keys...)
	for _, a := range args {
		switch a := a.(type) {
		case []byte:
			line = append(line, strings.ReplaceAll(string(a), "\x00", "0")) // an argument of a program holds no zero byte
		default:
			line = append(line, fmt.Sprint(a))
		}
	}
	out, err := exec.Command(path, line...).CombinedOutput()
	if err != nil {
		b.Fatalf("redis-benchmark: %v: %s", err, out)
	}
	rows := strings.Split(strings.TrimSpace(string(out)), "\n")
	cells := strings.Split(rows[len(rows)-1], `","`)
	if len(cells) < 2 {
		b.Fatalf("redis-benchmark says %s", out)
	}
	rate, err := strconv.ParseFloat(strings.Trim(cells[1], `"`), 64)
	if err != nil {
		b.Fatalf("redis-benchmark says %s", out)
	}
	return rate
}

func commitFor(b *testing.B, s *Store, versions []store.Etag, committers int) float64 {
	b.Helper()
	var done atomic.Int64
	var wg sync.WaitGroup
	begun := time.Now()
	for c := range committers {
		wg.Go(func() {
			for time.Since(begun) < benchTime {
				i := rand.IntN(len(versions)/committers)*committers + c
				w := benchWrite(i, versions[i], 1024)
				if err := s.Commit(background, w); err != nil {
					b.Error(err)
					return
				}
				versions[i] = w.Next
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return float64(done.Load()) / time.Since(begun).Seconds()
}

// Commits a second beside the bare script: at least half of it at 64 committers.
func BenchmarkCommit(b *testing.B) {
	for _, fsync := range []string{"none", "everysec", "always"} {
		settings := []string{}
		if fsync != "none" {
			settings = []string{"appendonly yes", "appendfsync " + fsync}
		}
		server := servers.Start(b, settings...)
		s := openAt(b, "redis://"+server.Addr())
		versions := fillBench(b, s, benchPeople, 1024)
		for _, committers := range []int{1, 16, 64} {
			b.Run(fmt.Sprintf("aof=%s/committers=%d", fsync, committers), func(b *testing.B) {
				for b.Loop() {
					var bares, commits, ratios []float64
					for range benchRounds {
						x, y := bare(b, server, 20_000), commitFor(b, s, versions, committers)
						bares, commits, ratios = append(bares, x), append(commits, y), append(ratios, y/x)
					}
					b.ReportMetric(median(ratios), "ratio")
					b.ReportMetric(median(commits), "commits/s")
					b.ReportMetric(median(bares), "bare/s")
				}
			})
		}
		server.End()
	}
}

// A turn (one read, one commit) beside two PINGs, one committer: at most twice as long.
func BenchmarkTurn(b *testing.B) {
	server := servers.Start(b)
	s := openAt(b, "redis://"+server.Addr())
	fillBench(b, s, 1000, 1024)
	for b.Loop() {
		var turns, pings []float64
		for i := range 5000 {
			begun := time.Now()
			if err := s.client.Ping(background).Err(); err != nil {
				b.Fatal(err)
			}
			pings = append(pings, float64(time.Since(begun).Microseconds()))
			begun = time.Now()
			r, err := s.Load(background, benchPerson(i%1000))
			if err := errors.Join(err, s.Commit(background, benchWrite(i%1000, r.Etag, 1024))); err != nil {
				b.Fatal(err)
			}
			turns = append(turns, float64(time.Since(begun).Microseconds()))
		}
		b.ReportMetric(median(turns)/(2*median(pings)), "ratio")
		b.ReportMetric(median(turns), "µs/turn")
		b.ReportMetric(median(pings), "µs/ping")
	}
}

// Memory a person with an open episode costs the server, by the size of the
// record: 230 bytes is what a compressed one comes to, 1,000 a plain one.
func BenchmarkMemory(b *testing.B) {
	for _, size := range []int{230, 1000} {
		b.Run(fmt.Sprintf("record=%d", size), func(b *testing.B) {
			server := servers.Start(b)
			s := openAt(b, "redis://"+server.Addr())
			used := func() float64 {
				n, err := strconv.ParseFloat(server.Info(b, "memory", "used_memory"), 64)
				if err != nil {
					b.Fatal(err)
				}
				return n
			}
			for b.Loop() {
				server.Do(b, "FLUSHALL")
				people := 20_000
				if os.Getenv("TURNSTONE_LONG") != "" {
					people = 1_000_000
				}
				before := used()
				fillBench(b, s, people, size)
				b.ReportMetric((used()-before)/float64(people), "B/person")
			}
		})
	}
}

// One claimer drains a morning: people a second beside turns a second at 16 committers.
func BenchmarkHerd(b *testing.B) {
	server := servers.Start(b)
	s := openAt(b, "redis://"+server.Addr())
	for b.Loop() {
		server.Do(b, "FLUSHALL")
		const people = 20_000
		versions := fillBench(b, s, people, 1024)
		turns := commitFor(b, s, versions, 16)
		var wg sync.WaitGroup
		for first := range 64 { // all at the same minute
			wg.Go(func() {
				for i := first; i < people; i += 64 {
					w := benchWrite(i, versions[i], 1024)
					w.Due[store.Routine] = time.Now().Add(-time.Minute)
					if err := s.Commit(background, w); err != nil {
						b.Error(err)
						return
					}
					versions[i] = w.Next
				}
			})
		}
		wg.Wait()
		begun, claimed := time.Now(), 0
		for claimed < people {
			some, err := s.Claim(context.Background(), time.Now(), store.Routine, 50, time.Hour)
			if err != nil || len(some) == 0 {
				b.Fatalf("claimed %d of %d, %v", claimed, people, err)
			}
			claimed += len(some)
		}
		rate := people / time.Since(begun).Seconds()
		b.ReportMetric(rate/turns, "ratio")
		b.ReportMetric(rate, "claims/s")
	}
}
