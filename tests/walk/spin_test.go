package walk_test

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"turnstone/care"
	"turnstone/flow/protocol"
	"turnstone/tests/walk"
)

// A verdict is what Spin says about a model.
type verdict struct {
	errors string
	states string
	stands map[walk.Stand]bool
	out    string
}

// checked has Spin go through every state of a model.
func checked(t *testing.T, m *model) verdict {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "m.pml"), []byte(m.build()), 0o600); err != nil {
		t.Fatal(err)
	}
	var out []byte
	for _, args := range [][]string{{"spin", "-a", "m.pml"}, {"gcc", "-O0", "-DSAFETY", "-DNOREDUCE", "-w", "-o", "pan", "pan.c"}, {"./pan", "-m100000"}} {
		cmd := exec.Command(args[0], args[1:]...)
		cmd.Dir = dir
		var err error
		if out, err = cmd.CombinedOutput(); err != nil && args[0] != "./pan" {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
	}
	v := verdict{stands: map[walk.Stand]bool{}, out: string(out)}
	if found := regexp.MustCompile(`errors: (\d+)`).FindStringSubmatch(v.out); found != nil {
		v.errors = found[1]
	}
	if found := regexp.MustCompile(`(?m)^ *(\d+) states, stored`).FindStringSubmatch(v.out); found != nil {
		v.states = found[1]
	}
	lines := bufio.NewScanner(strings.NewReader(v.out))
	for lines.Scan() {
		var node, disp, open int
		if n, err := fmt.Sscanf(lines.Text(), "STAND %d %d %d", &node, &disp, &open); n == 3 && err == nil {
			v.stands[walk.Stand{State: m.nodes[node], Disposition: care.Disposition(disp), Open: open == 1}] = true
		}
	}
	return v
}

// Spin looks at the shape of the dialogue from outside: in a model made from
// the compiled protocol alone nobody meets home care that is not for them, and
// nobody is caught; and wherever the walk stood, the model can stand.
func TestSpinAgreesWithTheWalk(t *testing.T) {
	if os.Getenv(proofsWanted) == "" {
		t.Logf("Spin runs with the proofs (%s=1); the model is built all the same", proofsWanted)
		if text := newModel(ankle(t)).build(); strings.Count(text, "d_step") < 500 {
			t.Error("the model is too small")
		}
		return
	}
	if _, err := exec.LookPath("spin"); err != nil {
		t.Fatal("spin is missing; install it with: apt-get install spin gcc")
	}
	p := ankle(t)
	v := checked(t, newModel(p))
	if v.errors != "0" {
		t.Fatalf("Spin finds errors:\n%s", v.out[max(0, len(v.out)-2000):])
	}
	w, err := walk.New(p)
	if err != nil {
		t.Fatal(err)
	}
	r := w.Walk(walk.Config{Each: 2, Asides: true, Overs: 1, Staff: 1, Workers: runtime.GOMAXPROCS(0), Enough: 1, Contract: walk.Ankle()})
	for s := range r.Stands {
		if !v.stands[s] && s.State != "new" {
			t.Errorf("the walk stood at %+v, and Spin never does", s)
		}
	}
	t.Logf("Spin: %s states, %d stands; the walk: %d states, %d stands", v.states, len(v.stands), r.States, len(r.Stands))
}

// Seeded faults: the model itself must be able to fail.
func TestSpinFindsSeededFaults(t *testing.T) {
	if os.Getenv(proofsWanted) == "" {
		t.Logf("Spin runs with the proofs (%s=1)", proofsWanted)
		return
	}
	data, err := os.ReadFile(ankleFile)
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string][2]string{
		"same day goes on to home care": {"then: {home: home, clinician: protect, same_day: protect}", "then: {home: home, clinician: protect, same_day: home}"},
		"danger B may be passed by":     {"- {screen: danger_b, plain: true}\n    - {fact: region", "- {screen: danger_b, plain: true, when: {age_years: child}}\n    - {fact: region"},
	} {
		p, err := protocol.Parse("seeded.yaml", []byte(strings.Replace(string(data), change[0], change[1], 1)))
		if err != nil {
			t.Fatal(err)
		}
		if v := checked(t, newModel(p)); v.errors != "1" || !strings.Contains(v.out, "assertion violated") {
			t.Errorf("%s: %s errors", name, v.errors)
		}
	}
	caught := newModel(ankle(t))
	caught.without = []string{anywhere, "emergency.ride"}
	if v := checked(t, caught); v.errors != "1" || !strings.Contains(v.out, "invalid end state") {
		t.Errorf("an emergency that nobody can leave: %s errors", v.errors)
	}
}
