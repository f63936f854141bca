package bolt

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// Fault 27: a reader that stops in the middle of People, as a slow page would,
// does not make the file grow: commits go on and use the pages that earlier ones
// have left. The folder beside it, without a reader, says how large it may be.
func TestASlowReaderDoesNotMakeTheFileGrow(t *testing.T) {
	const people, commits = 1200, 4000 // more than two pages of People
	grown := func(read bool) int64 {
		dir := t.TempDir()
		s := openWith(t, dir, newFakeClock())
		var wg sync.WaitGroup
		each := func(n int) {
			var mu sync.Mutex
			next := 0
			for range 32 {
				wg.Go(func() {
					for {
						mu.Lock()
						i := next
						next++
						mu.Unlock()
						if i >= n {
							return
						}
						if _, err := s.commit(fmt.Sprint("p", i%people), strings.Repeat("x", 1000), nil); err != nil {
							t.Error(err)
							return
						}
					}
				})
			}
			wg.Wait()
		}
		each(people)
		seen := 0
		for _, err := range s.People(t.Context()) {
			if err != nil {
				t.Fatal(err)
			}
			if seen++; seen == 1 && read { // the reader looks away
				each(commits)
			}
		}
		if !read {
			each(commits)
		}
		if seen != people {
			t.Errorf("the reader saw %d of %d", seen, people)
		}
		info, err := os.Stat(filepath.Join(dir, dataFile))
		if err != nil {
			t.Fatal(err)
		}
		return info.Size()
	}
	alone, beside := grown(false), grown(true)
	if beside > alone*5/4 {
		t.Errorf("the file has %d bytes, and %d without the reader", beside, alone)
	}
}
