package walk_test

import (
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"sync"
	"testing"

	"turnstone/flow/protocol"
	"turnstone/tests/walk"
)

// proofsWanted is set for the long walks: every state instead of a few of each
// class, for minutes.
const proofsWanted = "TURNSTONE_PROOFS"

const ankleFile = "../../flow/protocol/files/ankle-1.yaml"

// quick are the walks of every test run; proofs are the long ones. What differs
// is which bound is lifted.
var (
	quick = []walk.Config{
		{Each: 8, Twins: 4},
		{Each: 1, Staff: 1, StaffFrom: []string{"rest", "emergency.ride", "protect.protect"}, AllSigns: true},
		{Each: 1, Asides: true, Backs: 1},
		{Each: 1, Overs: 1},
	}
	proofs = []walk.Config{
		{Twins: 32}, // every state
		{Each: 12, Full: true, Asides: true, Twins: 4},
		{Each: 4, Full: true, AllSigns: true, Subsets: true},
		{Each: 2, Full: true, Asides: true, Backs: 2, Overs: 1, Staff: 1},
	}
)

func ankle(t testing.TB) *protocol.Protocol {
	t.Helper()
	data, err := os.ReadFile(ankleFile)
	if err != nil {
		t.Fatal(err)
	}
	p, err := protocol.Parse("ankle-1.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// walked runs the walks once for all tests of this package.
var walked = sync.OnceValues(func() ([]*walk.Report, error) {
	debug.SetGCPercent(400)
	all, err := protocol.Embedded()
	if err != nil {
		return nil, err
	}
	configs := quick
	if os.Getenv(proofsWanted) != "" {
		configs = proofs
	}
	var reports []*walk.Report
	for _, cfg := range configs {
		w, err := walk.New(all[0])
		if err != nil {
			return nil, err
		}
		cfg.Contract, cfg.Workers, cfg.Enough = walk.Ankle(), runtime.GOMAXPROCS(0), 20
		r := w.Walk(cfg)
		fmt.Println(r)
		reports = append(reports, r)
	}
	return reports, nil
})

func reports(t *testing.T) []*walk.Report {
	t.Helper()
	list, err := walked()
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// clean fails for each violation of the rules.
func clean(t *testing.T, rules ...string) {
	t.Helper()
	for _, r := range reports(t) {
		for _, v := range r.Of(rules...) {
			t.Error(v)
		}
	}
}

// No state is reached in which home care, reassurance or protecting text goes
// out where it must not, and the gate never has to stop anything.
func TestHAZ01_AllStatesSafe(t *testing.T) {
	clean(t, walk.CareAbove, walk.Harmful, walk.ProtectOpen, walk.Fails, walk.Silent, walk.BadAsk, walk.Planned, walk.NoStaff)
	for _, r := range reports(t) {
		for _, k := range r.Missing {
			t.Errorf("the book has no sentence %q", k)
		}
	}
}

// Every danger sign is asked and denied before any home care.
func TestHAZ02_NoHomeCareWithoutEveryDangerAnswer(t *testing.T) {
	clean(t, walk.CareUnasked, walk.NotAsked)
}

// Not sure, skipped and unreadable twice count as the worst single answer.
func TestHAZ04_UnsureIsNeverMilderThanYes(t *testing.T) { clean(t, walk.MilderUnsure) }

// Reasons, dangerous answers and emergencies stay; only staff lower.
func TestHAZ05_FlagsOnlyGrow(t *testing.T) { clean(t, walk.Lowered, walk.Forgotten) }

// What the answers ask for was written down twice; both agree in every state.
func TestHAZ15_DispositionsAgreeWithTheContract(t *testing.T) { clean(t, walk.BelowFloor) }

// A danger sign in typed words is taken in every state, its card first.
func TestHAZ28_FromEveryState(t *testing.T) { clean(t, walk.Missed, walk.CardFirst) }

// Every question can be left by stop and back, and from every state a way
// leads to the end.
func TestNobodyIsCaught(t *testing.T) { clean(t, walk.NotLeft, walk.DeadEnd) }

// The key that merges states hides nothing: no look at a fact that was not
// declared, and merged episodes go the same way whatever happens.
func TestMergedStatesAreEqual(t *testing.T) {
	clean(t, walk.NotEqual)
	pairs := 0
	for _, r := range reports(t) {
		pairs += r.Twins
		for _, u := range r.Undeclared {
			t.Error(u)
		}
	}
	if pairs < 300 {
		t.Errorf("only %d pairs were compared", pairs)
	}
}

// Every screen was stood on and every row raised, but for what can't happen.
// The quick walks may miss one in twenty; the proofs may miss none.
func TestEveryRowWasTaken(t *testing.T) {
	raised, places := map[string]int{}, map[string]int{}
	for _, r := range reports(t) {
		for k, n := range r.Raised {
			raised[k] += n
		}
		for k, n := range r.Places {
			places[k] += n
		}
	}
	p := ankle(t)
	total, missed := 0, []string{}
	want := func(n int, format string, args ...any) {
		total++
		if n == 0 {
			missed = append(missed, fmt.Sprintf(format, args...))
		}
	}
	for i, row := range p.Raise {
		want(raised[fmt.Sprintf("row%d", i)], "line %d: this row never raised", row.Line)
	}
	for name, f := range p.Facts {
		for v := range f.To {
			if key := fmt.Sprintf("%s=%s", name, v); !neverRaised[key] {
				want(raised[key], "%s never raised", key)
			}
		}
	}
	for _, name := range p.TalkSeq {
		for _, s := range p.Talks[name].Screens {
			want(places[name+"."+s.Name], "nobody ever stood at %s.%s", name, s.Name)
		}
	}
	if few := total / 20; len(missed) > few || os.Getenv(proofsWanted) != "" && len(missed) > 0 {
		t.Errorf("%d of %d were missed: %v", len(missed), total, missed)
	}
	for key := range neverRaised {
		if raised[key] > 0 {
			t.Errorf("%s raised all the same", key)
		}
	}
}

// neverRaised: not sure about a group is about its most severe facts alone.
var neverRaised = map[string]bool{"already_seen=unsure": true, "high_ankle=unsure": true}
