package store_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"turnstone/store"
)

func TestAnEtagCountsVersionsAndCarriesItsNonce(t *testing.T) {
	nonce := [8]byte{1, 2, 3, 4, 5, 6, 7, 8}
	first := store.Etag{}.Next(nonce)
	if got, want := first, (store.Etag{0, 0, 0, 0, 0, 0, 0, 1, 1, 2, 3, 4, 5, 6, 7, 8}); got != want {
		t.Errorf("first etag = %v, want %v", got, want)
	}
	if got := first.Next([8]byte{}).Version(); got != 2 {
		t.Errorf("version of the second = %d, want 2", got)
	}
}

func TestMomentsAreRoundedUpToTheMillisecond(t *testing.T) {
	for _, c := range []struct {
		at   time.Time
		want int64
	}{
		{time.Unix(0, 0), 0},
		{time.Unix(0, 1), 1},
		{time.Unix(1, 0), 1000},
		{time.Unix(1, 999_999), 1001},
		{time.Unix(1, 1_000_000), 1001},
		{time.Unix(-1, 0), 0},
		{time.Unix(-1, 500_000), 0},
		{time.Date(1, 1, 2, 0, 0, 0, 0, time.UTC), 0},
	} {
		if got := store.Millis(c.at); got != c.want {
			t.Errorf("Millis(%v) = %d, want %d", c.at, got, c.want)
		}
	}
}

func TestEachBrokenRuleIsNamed(t *testing.T) {
	good := func() store.Write {
		return store.Write{Person: "p", Next: store.Etag{}.Next([8]byte{1}), Bytes: []byte("r"), Now: time.Unix(1, 0)}
	}
	if err := good().Check(); err != nil {
		t.Fatalf("a good write is refused: %v", err)
	}
	for want, spoil := range map[string]func(*store.Write){
		"1 to 200 bytes, not 0":          func(w *store.Write) { w.Person = "" },
		"1 to 200 bytes, not 201":        func(w *store.Write) { w.Person = strings.Repeat("p", 201) },
		"make it with Read.Next":         func(w *store.Write) { w.Read = w.Next },
		"next version is 0":              func(w *store.Write) { w.Read[0], w.Next = math.MaxUint8, store.Etag{} },
		"Now is not set":                 func(w *store.Write) { w.Now = time.Time{} },
		"the record has 16777217 bytes":  func(w *store.Write) { w.Bytes = make([]byte, store.MaxBytes+1) },
		"the routine lease is -1ns":      func(w *store.Write) { w.Lease[store.Routine] = -1 },
		"10001 log lines":                func(w *store.Write) { w.Log = make([][]byte, store.MaxLog+1) },
		"log line 1 has 16777217 bytes":  func(w *store.Write) { w.Log = [][]byte{nil, make([]byte, store.MaxBytes+1)} },
		"a write that erases":            func(w *store.Write) { w.Bytes, w.Log = nil, [][]byte{[]byte("l")} },
		"nothing due":                    func(w *store.Write) { w.Bytes, w.Due[store.Urgent] = nil, time.Unix(0, 0) },
		"keeps nothing":                  func(w *store.Write) { w.Bytes, w.Keep = nil, []store.Kept{{ID: "e", Until: w.Now}} },
		"a kept episode's ID has":        func(w *store.Write) { w.Keep = []store.Kept{{Until: w.Now}} },
		"has no day on which it must go": func(w *store.Write) { w.Keep = []store.Kept{{ID: "e"}} },
		`episode "e" has 16777217 bytes`: func(w *store.Write) {
			w.Keep = []store.Kept{{ID: "e", Until: w.Now, Bytes: make([]byte, store.MaxBytes+1)}}
		},
		"key has 1 to 400 bytes, not 401":    func(w *store.Write) { w.Named = []store.NamedWrite{{Key: strings.Repeat("k", 401)}} },
		`named value "k" has 16777217 bytes`: func(w *store.Write) { w.Named = []store.NamedWrite{{Key: "k", Bytes: make([]byte, store.MaxBytes+1)}} },
	} {
		w := good()
		spoil(&w)
		err := w.Check()
		if !errors.Is(err, store.ErrInvalid) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want ErrInvalid with %q", err, want)
		}
	}
}
