package flow_test

import (
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"turnstone/flow"
	"turnstone/flow/protocol"
	"turnstone/tests/walk"
)

// taken walks the dialogue with a table that tells which of its rows it takes.
func taken(t *testing.T, cfgs ...walk.Config) (rows map[[2]string]string, count map[[2]string]int) {
	t.Helper()
	all, err := protocol.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	count = map[[2]string]int{}
	for _, cfg := range cfgs {
		w, err := walk.New(all[0])
		if err != nil {
			t.Fatal(err)
		}
		var mu sync.Mutex
		rows = flow.Taken(w.Flow, func(from, event string) {
			mu.Lock()
			defer mu.Unlock()
			count[[2]string{from, event}]++
		})
		cfg.Workers, cfg.Enough, cfg.Contract = runtime.GOMAXPROCS(0), 1, walk.Ankle()
		r := w.Walk(cfg)
		t.Log(r)
		for _, v := range r.Violations {
			t.Error(v)
		}
	}
	return rows, count
}

// Every row that settles a question, asks or passes by a conditional screen,
// or goes back is taken; so are the emergency and stop from every screen, and
// the close of an episode. Without the proofs only the first talk and what
// follows it at once are walked.
func TestEveryRowOfTheTableIsTaken(t *testing.T) {
	cfgs, talks := []walk.Config{{Each: 6, Calm: true}}, []string{"day_0", "protect", "crutches"}
	if os.Getenv("TURNSTONE_PROOFS") != "" {
		cfgs, talks = []walk.Config{{Each: 40}, {Each: 2, Backs: 1, Overs: 1, Staff: 1, Asides: true}}, nil
	}
	rows, count := taken(t, cfgs...)
	var missed []string
	total := 0
	for row := range rows {
		talk, screen, _ := strings.Cut(row[0], ".")
		if !must(screen, row[1], talks != nil) || talks != nil && !slices.Contains(talks, talk) {
			continue
		}
		total++
		if count[row] == 0 {
			missed = append(missed, row[0]+" "+row[1])
		}
	}
	slices.Sort(missed)
	if few := total / 20; len(missed) > few || talks == nil && len(missed) > 0 {
		t.Errorf("%d of %d rows were never taken: %q", len(missed), total, missed)
	}
	if talks == nil && count[[2]string{flow.StateRest, "close"}] == 0 {
		t.Error("no episode ever closed")
	}
	t.Logf("%d of %d rows that can be taken were, of %d in the table", total-len(missed), total, len(rows))
}

// must tells the rows that have to be taken. The table gives every state a row
// for every talk, for danger, stop and close, also where nobody can stand or
// where no plan leads: those are not asked for.
func must(screen, event string, calm bool) bool {
	switch event {
	case "answered", "ask", "skip", "back":
		return true
	case "danger", "stop":
		return !calm && screen != "" && screen != "end" && !strings.HasPrefix(screen, "?")
	default:
		return false
	}
}
