package walk

import (
	"fmt"
	"slices"
	"time"

	"turnstone/care"
)

// A Config bounds a walk and says what its steps are checked against.
type Config struct {
	Each      int      // at most so many states of a class (where, how severe, consent) are gone on from; 0 means all
	Full      bool     // commands, signs, due items and staff acts are tried in every state, not in the first of each class
	Backs     int      // how often a path goes back and on from there; back is tried everywhere
	Overs     int      // how often it starts over and goes on
	Staff     int      // how often staff act and it goes on
	StaffFrom []string // where staff act; nil means anywhere
	Closes    bool     // staff close an open emergency whatever they did before
	Asides    bool     // go on from a sign that was perhaps meant, and from a hidden screen
	Subsets   bool     // every combination of choices, instead of every pair
	AllSigns  bool     // every sign, instead of one of each sort
	Twins     int      // one key in so many is compared with an episode merged into it; 0 compares none
	Calm      bool     // answers, back and stop alone: no signs, no staff, nothing that falls due
	Most      int      // the walk ends at so many states; 0 means at the last
	Workers   int      // how many states are expanded at once
	First     []string // what happens before the walk begins, by its labels
	Enough    int      // so many different violations end the walk
	Contract  *Contract
}

// A Report is what a walk found.
type Report struct {
	States, Transitions int
	Took                time.Duration
	Violations          []Violation
	Raised              map[string]int // rows and single answers that raised, by their name
	Places              map[string]int // states of the table, and how many states of the walk lie there
	Stands              map[Stand]bool // where the dialogue stood, and how severe it was
	Twins               int            // pairs of merged episodes that were compared
	Undeclared          []string       // looks at facts that the protocol does not declare there
	Missing             []care.SentenceKey
}

// A Stand is a state of the table with the disposition and whether an
// emergency is open.
type Stand struct {
	State       string
	Disposition care.Disposition
	Open        bool
}

// Of lists the violations of some rules.
func (r *Report) Of(rules ...string) []Violation {
	return slices.DeleteFunc(slices.Clone(r.Violations), func(v Violation) bool { return !slices.Contains(rules, v.Rule) })
}

func (r *Report) String() string {
	return fmt.Sprintf("%d states in %d places, %d transitions, %d rows raised, %d twins, %s",
		r.States, len(r.Places), r.Transitions, len(r.Raised), r.Twins, r.Took.Round(100*time.Millisecond))
}

// A Violation is one thing that must never happen, with the way to it.
type Violation struct {
	Rule, Place, Text string
	Path              []string
}

func (v Violation) String() string {
	return fmt.Sprintf("%s\n  in %s: %s\n  after %q", v.Rule, v.Place, v.Text, v.Path)
}

// Walk goes through every state from the first word on.
func (w *World) Walk(cfg Config) *Report {
	begun := time.Now()
	cfg.Enough = max(1, cfg.Enough)
	r := &run{
		w: w, cfg: &cfg, ids: map[string]int{}, led: map[string]int{}, leads: map[string]int{}, members: map[string]*members{},
		twins: map[string]*pair{}, report: &Report{Raised: map[string]int{}, Places: map[string]int{}, Stands: map[Stand]bool{}},
	}
	root, err := w.begun(&cfg)
	if err != nil {
		r.violate(Violation{Rule: Fails, Place: root.ep.State, Text: err.Error()})
		return r.report
	}
	r.add(root, w.key(root, &cfg), -1, "")
	for level := []*node{root}; len(level) > 0 && !r.enough() && (cfg.Most == 0 || len(r.born) < cfg.Most); {
		level = r.level(level)
	}
	if len(r.report.Violations) == 0 && cfg.Most == 0 && !cfg.Calm {
		r.deadEnds()
		r.compareTwins()
	}
	r.finish(begun)
	return r.report
}

// begun leads a new episode to where the walk begins.
func (w *World) begun(cfg *Config) (*node, error) {
	all := *cfg
	all.Full, all.Asides = true, true
	n := &node{ep: w.Begin(), now: Start}
	for _, label := range cfg.First {
		acts := w.acts(n, &all)
		i := slices.IndexFunc(acts, func(a act) bool { return a.label == label })
		if i < 0 {
			return n, fmt.Errorf("%s can't happen in %s", label, n.ep.State)
		}
		acts[i].follow = true
		if o := w.do(n, acts[i], &all); o.to != nil {
			n = o.to
		}
	}
	n.used = spent{}
	return n, nil
}

func (r *run) enough() bool { return len(r.report.Violations) >= r.cfg.Enough }

func (r *run) finish(begun time.Time) {
	r.report.States, r.report.Took = len(r.born), time.Since(begun)
	for _, b := range r.born {
		r.report.Places[b.state]++
	}
	for u := range r.w.undeclared {
		r.report.Undeclared = append(r.report.Undeclared, u)
	}
	for k := range r.w.missing {
		r.report.Missing = append(r.report.Missing, k)
	}
	slices.Sort(r.report.Undeclared)
	slices.Sort(r.report.Missing)
}

// violate keeps the first of each sort of violation: the shortest way to it.
func (r *run) violate(v Violation) {
	same := func(had Violation) bool { return had.Rule == v.Rule && had.Place == v.Place }
	if !r.enough() && !slices.ContainsFunc(r.report.Violations, same) {
		r.report.Violations = append(r.report.Violations, v)
	}
}

// path is the way from the first word to a state.
func (r *run) path(id int) []string {
	var p []string
	for ; id > 0; id = r.born[id].parent {
		p = append(p, r.born[id].label)
	}
	slices.Reverse(p)
	return p
}
