package bolt

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/store"
)

// The ceiling of a durable commit is one 4 KB write and its fdatasync on the
// same disk. Disks differ and so do their neighbours, so what counts is the
// ratio, taken side by side: five rounds of each in turn, and the median.
//
//	go test ./store/bolt -bench Commit -run '^$' -benchtime 1x
const (
	benchPeople = 20_000
	benchRounds = 5
	benchTime   = 600 * time.Millisecond // of each in a round
)

func BenchmarkCommit(b *testing.B) {
	dir := b.TempDir()
	s := openWith(b, dir, nil)
	versions := load(b, s, benchPeople)
	for _, kind := range []struct {
		name string
		due  []func(w *store.Write)
	}{{"turn", []func(w *store.Write){say, said}}, {"moved", []func(w *store.Write){moved}}} {
		for _, committers := range []int{1, 16, 64} {
			b.Run(fmt.Sprintf("%s/committers=%d", kind.name, committers), func(b *testing.B) {
				benchCommit(b, s, versions, committers, kind.due)
			})
		}
	}
}

// A turn of a talk is two commits of the same person: what is to be said is due
// now, with a lease, and then it is said. The follow-up stays where it is.
func say(w *store.Write) {
	w.Due[store.Urgent], w.Lease[store.Urgent] = w.Now, 5*time.Second
}

func said(*store.Write) {}

// moved is the worst that can be: each commit moves what is due somewhere else.
func moved(w *store.Write) { w.Due[store.Routine] = w.Now.Add(rand.N(72 * time.Hour)) }

func benchCommit(b *testing.B, s *Store, versions []store.Etag, committers int, kind []func(w *store.Write)) {
	b.Helper()
	for b.Loop() {
		raw, commits, ratios := []float64{}, []float64{}, []float64{}
		for range benchRounds {
			r := rawSyncs(b, s.dir, benchTime)
			c := commitFor(b, s, versions, committers, kind)
			raw, commits, ratios = append(raw, r), append(commits, c), append(ratios, c/r)
		}
		b.ReportMetric(median(ratios), "ratio")
		b.ReportMetric(median(commits), "commits/s")
		b.ReportMetric(median(raw), "raw/s")
	}
}

func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}

// rawSyncs writes 4 KB pages over an existing file, syncing each, and returns how many a second.
func rawSyncs(b *testing.B, dir string, d time.Duration) float64 {
	b.Helper()
	const pages = 4096
	f, err := os.OpenFile(filepath.Join(dir, "raw"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := f.Close(); err != nil {
			b.Error(err)
		}
	}()
	if info, err := f.Stat(); err == nil && info.Size() == 0 {
		_, err = f.Write(make([]byte, pages*4096))
		if err := errors.Join(err, f.Sync()); err != nil {
			b.Fatal(err)
		}
	}
	page, n := make([]byte, 4096), 0
	begun := time.Now()
	for ; time.Since(begun) < d; n++ {
		page[0]++
		_, err := f.WriteAt(page, rand.Int64N(pages)*4096)
		if err := errors.Join(err, unix.Fdatasync(int(f.Fd()))); err != nil {
			b.Fatal(err)
		}
	}
	return float64(n) / time.Since(begun).Seconds()
}

// commitFor commits to random people and returns how many commits a second.
func commitFor(b *testing.B, s *Store, versions []store.Etag, committers int, kind []func(w *store.Write)) float64 {
	b.Helper()
	var done atomic.Int64
	var wg sync.WaitGroup
	begun := time.Now()
	for i := range committers {
		wg.Go(func() {
			for time.Since(begun) < benchTime {
				// each committer has people of its own, so that none is stale
				who := rand.IntN(len(versions)/committers)*committers + i
				for _, due := range kind {
					w := benchWrite(who, versions[who])
					due(&w)
					if err := s.Commit(background, w); err != nil {
						b.Error(err)
						return
					}
					versions[who] = w.Next
					done.Add(1)
				}
			}
		})
	}
	wg.Wait()
	return float64(done.Load()) / time.Since(begun).Seconds()
}

// benchWrite is a turn's commit: 1 KB of record, a due time and a log line.
func benchWrite(who int, read store.Etag) store.Write {
	now := time.Now()
	w := store.Write{
		Person: fmt.Sprintf("%032x", uint64(who)*2_654_435_761), Read: read, Next: read.Next(nonce()),
		Bytes: make([]byte, 1024), Log: [][]byte{make([]byte, 120)}, Now: now,
	}
	w.Due[store.Routine] = time.Unix(2_000_000_000+int64(who)*7919%250_000, 0)
	return w
}

// load commits a first version of n people and returns their etags.
func load(b *testing.B, s *Store, n int) []store.Etag {
	b.Helper()
	versions := make([]store.Etag, n)
	const writers = groupSize
	var wg sync.WaitGroup
	for first := range writers {
		wg.Go(func() {
			for who := first; who < n; who += writers {
				w := benchWrite(who, store.Etag{})
				if err := s.Commit(background, w); err != nil {
					b.Error(err)
					return
				}
				versions[who] = w.Next
			}
		})
	}
	wg.Wait()
	return versions
}

// Opening must not get slower with more people. The file is thrown out of
// memory before each, as after a restart of the machine.
func BenchmarkOpen100k(b *testing.B) {
	dir := b.TempDir()
	s := openWith(b, dir, nil)
	load(b, s, 100_000)
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		b.StopTimer()
		forget(b, filepath.Join(dir, dataFile))
		b.StartTimer()
		s, err := Open(dir, Options{Ballast: -1})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := s.Load(background, benchWrite(rand.IntN(100_000), store.Etag{}).Person); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms/open")
}

func forget(b *testing.B, path string) {
	b.Helper()
	f, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	err = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
	if err := errors.Join(err, f.Close()); err != nil {
		b.Fatal(err)
	}
}

// Claiming walks the index, whatever the number of people.
func BenchmarkClaim100Of20k(b *testing.B) {
	s := openWith(b, b.TempDir(), nil)
	load(b, s, benchPeople)
	now := time.Unix(2_000_250_000, 0) // all of it is due
	for b.Loop() {
		people, err := s.Claim(background, now, store.Routine, 100, time.Minute)
		if err != nil || len(people) != 100 {
			b.Fatalf("claimed %d, %v", len(people), err)
		}
		for _, p := range people {
			s.Release(p, store.Routine)
		}
	}
}
