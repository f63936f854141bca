package seal

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/seal"
	"turnstone/store/keyfile"
	"turnstone/store/redis"
	"turnstone/store/sealed"
	"turnstone/tests/redis/servers"
)

// How many people the memory is measured with; a million take 1 GB and some
// minutes.
const (
	peopleWanted = "TURNSTONE_PEOPLE"
	usualPeople  = 100_000
	templates    = 1000 // random talks, whose answers people share; each is sealed with a key of its own
	mostBytes    = 1300 // a person; docs/store.md says what is measured, and of what it consists
)

// TestMemoryOfOpenEpisodes fills a server with open episodes, sealed and
// compressed as the program does, each person's key on the server and names as
// long as real ones, and tells what a person costs it without the log. Half of
// the people come first, so that what the server takes by itself is not counted.
// It runs with TURNSTONE_LONG=1 (make proofs); TURNSTONE_PEOPLE says how many.
func TestMemoryOfOpenEpisodes(t *testing.T) {
	if os.Getenv("TURNSTONE_LONG") == "" {
		t.Log("runs with TURNSTONE_LONG=1 (make proofs)")
		return
	}
	people := usualPeople
	if n := os.Getenv(peopleWanted); n != "" {
		var err error
		if people, err = strconv.Atoi(n); err != nil || people < 1000 {
			t.Fatalf("%s=%q is no number of people, at least 1000", peopleWanted, n)
		}
	}
	talks := openTalks(t)
	for _, packing := range []struct {
		name   string
		most   int // keys that the server packs into one value (hash-max-listpack-entries)
		people int
	}{{"keys packed", 512, people}, {"keys not packed, as with over eight million people and the usual setting", 0, min(people, usualPeople)}} {
		t.Run(packing.name, func(t *testing.T) {
			people := packing.people
			server := servers.Start(t, fmt.Sprint("hash-max-listpack-entries ", packing.most), "enable-debug-command local")
			s, masters := openAlone(t, server)
			used := func() float64 { return settled(t, server) }
			var measured [3]float64
			measured[0] = used()
			for half := range 2 {
				fill(t, s, masters, talks, half*people/2, (half+1)*people/2)
				measured[half+1] = used()
			}
			each := (measured[2] - measured[1]) / float64(people-people/2)
			t.Logf("%d people: %.0f B a person, counted from half of them; %.0f B with what the server takes once; resident %s, keys %s",
				people, each, (measured[2]-measured[0])/float64(people), server.Info(t, "memory", "used_memory_rss_human"), server.Info(t, "keyspace", "db0"))
			t.Log(split(t, server))
			if packing.most > 0 && people >= usualPeople && each > mostBytes { // of fewer the tables that double in size tell nothing
				t.Errorf("a person costs %.0f B, want at most %d", each, mostBytes)
			}
		})
	}
}

// split tells of what a person's bytes consist, by the keys of one partition.
// What the server takes for the names of keys lies beside it.
func split(t *testing.T, server *servers.Server) string {
	t.Helper()
	const tag = "{p7}:"
	bytes, keys := map[string]int64{}, map[string]int{}
	for cursor := "0"; ; {
		page, err := server.Do(t, "SCAN", cursor, "MATCH", tag+"*", "COUNT", 10_000).Slice()
		if err != nil {
			t.Fatal(err)
		}
		for _, key := range page[1].([]any) {
			n, err := server.Do(t, "MEMORY", "USAGE", key, "SAMPLES", 0).Int64()
			if err != nil {
				t.Fatal(err)
			}
			kind, _, _ := strings.Cut(strings.TrimPrefix(key.(string), tag), ":")
			bytes[kind] += n
			keys[kind]++
		}
		if cursor = page[0].(string); cursor == "0" {
			break
		}
	}
	var parts []string
	for _, kind := range slices.Sorted(maps.Keys(bytes)) {
		parts = append(parts, fmt.Sprintf("%s %d B in %d keys", kind, bytes[kind]/int64(keys["r"]), keys[kind]))
	}
	return fmt.Sprintf("a person of %s: %s", tag, strings.Join(parts, ", "))
}

// openTalks are records of people in the middle of a talk.
func openTalks(t *testing.T) (talks []record.Record) {
	t.Helper()
	for _, data := range records(t, templates) {
		r, err := record.Decode(data)
		if err != nil {
			t.Fatal(err)
		}
		if !r.Episode.Closed {
			talks = append(talks, r)
		}
	}
	if len(talks) < templates/2 {
		t.Fatalf("only %d of %d talks are open", len(talks), templates)
	}
	return talks
}

// openAlone opens a sealed store on a server, as one machine does.
func openAlone(t *testing.T, server *servers.Server) (*sealed.Store, *seal.Masters) {
	t.Helper()
	a, err := redis.ParseAddress("redis://" + server.Addr())
	if err != nil {
		t.Fatal(err)
	}
	inner, err := redis.Open(t.Context(), a, redis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	list, err := keyfile.OpenList(filepath.Join(t.TempDir(), "erased"))
	if err != nil {
		t.Fatal(err)
	}
	masters := seal.NewMasters()
	s, err := sealed.Open(t.Context(), inner, inner.Keys(masters), sealed.Share(list, inner), slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, masters
}

// fill commits people from one number to another.
func fill(t *testing.T, s *sealed.Store, masters *seal.Masters, talks []record.Record, from, to int) {
	t.Helper()
	var next atomic.Int64
	next.Store(int64(from))
	var wg sync.WaitGroup
	for range 64 {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < to; i = int(next.Add(1)) - 1 {
				w, err := record.Write(care.PersonID(masters.Name("discord", fmt.Sprintf("%018d", i))), [16]byte{}, record.Nonce(), talks[i%len(talks)], nil, time.Now())
				if err == nil {
					err = s.Commit(context.Background(), w)
				}
				if err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
}

// settled is the server's memory once its tables have grown.
func settled(t *testing.T, server *servers.Server) float64 {
	t.Helper()
	servers.Until(t, "the tables have grown", time.Minute, func() bool {
		stats := server.Do(t, "DEBUG", "HTSTATS", "0").String()
		return !strings.Contains(stats, "rehashing target")
	})
	n, err := strconv.ParseFloat(server.Info(t, "memory", "used_memory"), 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}
