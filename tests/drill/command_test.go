package drill

import (
	"encoding/json"
	"os/exec"
	"strconv"
	"testing"

	"turnstone/drill"
	"turnstone/tests/talk"
)

// run runs the built program and gives what it says to the operator.
func run(t *testing.T, args ...string) (string, error) {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), talk.Bot, args...).CombinedOutput()
	return string(out), err
}

// Checks fall due at one moment, and people write of emergencies meanwhile:
// all first lines at the platform's pace, no card late. The default is small;
// 20,000 are in docs/faults.md.
func TestARushThroughTheCommand(t *testing.T) {
	if !long { // takes a minute and more
		return
	}
	const due = 1500
	cmd := exec.CommandContext(t.Context(), talk.Bot, "drill", "--json", "--rush", strconv.Itoa(due))
	cmd.Stderr = t.Output()
	out, err := cmd.Output()
	if err != nil {
		t.Errorf("%v: %s", err, out)
	}
	var r drill.Result
	if err := json.Unmarshal(out, &r); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if r.Rush == nil || r.Rush.Sent != due || r.Cards.N == 0 || r.Lost+r.Duplicates+r.Disorder > 0 {
		t.Errorf("the drill says %s", out)
	}
}
