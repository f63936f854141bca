package house

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"turnstone/seal"
	"turnstone/store/bolt"
	"turnstone/store/keyfile"
	"turnstone/store/sealed"
)

// A Folder is the folder of an embedded store, sealed, as the program has it.
type Folder struct {
	*sealed.Store
	Bolt   *bolt.Store // what lies on the disk
	Keys   *keyfile.File
	Erased *keyfile.List
}

// OpenFolder opens the store in dir; it is closed at the end of the test. Nil
// masters are those of the key file that the program made beside it.
func OpenFolder(t testing.TB, dir string, masters *seal.Masters, now func() time.Time) *Folder {
	t.Helper()
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	var err error
	if masters == nil {
		masters, err = keyfile.ReadMasters(dir + ".key")
		must(err)
	}
	f := &Folder{}
	f.Bolt, err = bolt.Open(dir, bolt.Options{Clock: now, Ballast: -1})
	must(err)
	f.Keys, err = keyfile.Open(dir, masters)
	must(err)
	f.Erased, err = keyfile.OpenList(dir + ".erased")
	must(err)
	f.Store, err = sealed.Open(context.Background(), f.Bolt, f.Keys, f.Erased, slog.New(slog.DiscardHandler))
	must(err)
	t.Cleanup(func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	})
	return f
}
