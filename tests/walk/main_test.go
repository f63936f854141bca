package walk_test

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"testing"

	"turnstone/tests/walk"
)

// TestMain keeps the race detector away from the walks: they would take
// twenty-five times as long under it, and what they prove has no clock in it.
// A run with the detector has them walked by a run without it, and itself
// looks only at steps side by side.
func TestMain(m *testing.M) {
	flag.Parse()
	if !raceOn {
		os.Exit(m.Run())
	}
	walks := exec.Command("go", "test", "-count=1", "-timeout=60m", "-run="+flag.Lookup("test.run").Value.String(), ".")
	walks.Stdout, walks.Stderr = os.Stdout, os.Stderr
	if err := walks.Run(); err != nil {
		fmt.Fprintln(os.Stderr, "the walks without the race detector:", err)
		os.Exit(1)
	}
	if err := flag.Set("test.run", "SideBySide"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// A flow is safe for many goroutines at once: the walk steps in several, and
// the race detector, where it is on, watches.
func TestStepsSideBySide(t *testing.T) {
	w, err := walk.New(ankle(t))
	if err != nil {
		t.Fatal(err)
	}
	r := w.Walk(walk.Config{Each: 1, Most: 60, Workers: 4 * runtime.GOMAXPROCS(0), Enough: 1, Contract: walk.Ankle()})
	if r.Transitions < 500 || len(r.Violations) > 0 {
		t.Errorf("%s: %v", r, r.Violations)
	}
}
