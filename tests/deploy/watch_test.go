// Package deploy tries what lies in deploy/ as an installer would.
package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// A watcher is the script with a health that can be switched, and staff that
// write down what they are told.
type watcher struct {
	t       *testing.T
	dir     string
	healthy bool
}

func (w *watcher) run() string {
	w.t.Helper()
	told := filepath.Join(w.dir, "told")
	if err := os.WriteFile(told, nil, 0o600); err != nil {
		w.t.Fatal(err)
	}
	health := "false"
	if w.healthy {
		health = "true"
	}
	cmd := exec.Command("../../deploy/watch.sh")
	cmd.Env = append(os.Environ(), "HEALTH="+health, "TELL=cat >> "+told, "STATE="+filepath.Join(w.dir, "state"), "AGAIN_AFTER=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		w.t.Fatalf("%v: %s", err, out)
	}
	text, err := os.ReadFile(told)
	if err != nil {
		w.t.Fatal(err)
	}
	return string(text)
}

// Staff are told once when the program falls silent, and once when it is back.
func TestHAZ32_StaffAreToldOfSilence(t *testing.T) {
	w := &watcher{t: t, dir: t.TempDir()}
	for i, step := range []struct {
		healthy bool
		want    string
	}{{true, ""}, {false, "silent since"}, {false, ""}, {true, "answers again"}, {true, ""}, {false, "silent since"}} {
		w.healthy = step.healthy
		if got := w.run(); (got == "") != (step.want == "") || !strings.Contains(got, step.want) || strings.Count(got, "\n") > 1 {
			t.Errorf("step %d, healthy %v: staff are told %q, want %q", i, step.healthy, got, step.want)
		}
	}
}

// Without its settings the script says which one is missing.
func TestWatchNeedsItsSettings(t *testing.T) {
	cmd := exec.Command("../../deploy/watch.sh")
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "HEALTH=true"}
	out, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(out), "set TELL") {
		t.Errorf("it says %q (%v), want that TELL is missing", out, err)
	}
}
