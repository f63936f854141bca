package flow

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"turnstone/care"
)

// standingFacts reads "pain=7 walking=limp"; an unknown "?" is not sure.
func standingFacts(s string) map[string]string {
	facts := map[string]string{}
	for _, kv := range strings.Fields(s) {
		k, v, _ := strings.Cut(kv, "=")
		if k == "pain" {
			k = "pain_worst"
		}
		if v == "?" {
			v = care.Unsure
		}
		switch k {
		case "group:danger":
			k = "group:danger_check"
		case "group:look":
			k = "group:later"
		}
		facts[k] = v
	}
	return facts
}

// The table was written by a reader who saw the protocol's text alone: how
// somebody was at entry, at the check before and now; improved, and what the
// check's own rows give. It holds every worked value of the rule: 7 to 5,
// 4 to 3, 3 to 2, 10 to 8, 6 to 6, 5 to 7, 8 to 5, 2 to 1, 0 to 3.
// Source of "2 points or 30 %": Farrar 2001, Pain 94:149-58.
func TestHAZ12_ChecksOfAnIndependentReader(t *testing.T) {
	f := newFlow(t)
	table := rows(t, "testdata/checks.tsv")
	if len(table) < 200 {
		t.Fatalf("only %d checks", len(table))
	}
	for _, row := range table {
		t.Run(row["id"], func(t *testing.T) { runCheck(t, f, row) })
	}
}

func hours(t *testing.T, s string) time.Duration {
	t.Helper()
	h, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return time.Duration(h * float64(time.Hour))
}

func runCheck(t *testing.T, f *Flow, row map[string]string) {
	noon := time.Date(2026, 3, 6, 12, 0, 0, 0, time.UTC) // checks are asked by day
	injured := noon.Add(-hours(t, row["hours_since_injury"]))
	facts := standingFacts(row["entry"])
	facts["injured_at"] = "PT" + strconv.Itoa(int(hours(t, row["entry_hours"]).Minutes())) + "M"
	if row["xrayed"] == "yes" {
		facts["already_seen"], facts["xray_result"] = "yes", "no_fracture"
	}
	p := newPerson(t, f, injured.Add(hours(t, row["entry_hours"])), "Europe/Lisbon", facts)
	p.dayZero()
	at := injured.Add(hours(t, row["hours_since_injury"]))
	if row["previous"] != "" {
		p.facts = standingFacts(row["previous"])
		p.fallsDue("day_2", at.Add(-24*time.Hour))
	}
	p.facts = standingFacts(row["now"])
	p.fallsDue(row["check"], at)

	got, because := care.Home, []string{}
	for _, r := range p.ep.Reasons {
		if key, _, _ := strings.Cut(r.Row, "/"); key == p.ep.Rounds[p.ep.Round].Key {
			switch {
			case r.To > got:
				got, because = r.To, slices.Clone(r.Names)
			case r.To == got && got > care.Home:
				because = append(because, r.Names...)
			}
		}
	}
	if got.String() != row["disposition_from_check"] {
		t.Errorf("%s: %s (%v), want %s (%s)", row["note"], got, because, row["disposition_from_check"], row["because"])
	}
	if want := list(row["because"]); !slices.Equal(sorted(because), sorted(want)) {
		t.Errorf("%s: because %v, want %v", row["note"], because, want)
	}
	if judged := p.improved(); judged != row["improved"] {
		t.Errorf("%s: improved %s, want %s", row["note"], judged, row["improved"])
	}
}

// fallsDue lets a check come at a moment and answers it to its end.
func (p *person) fallsDue(what string, at time.Time) {
	p.t.Helper()
	p.now = at
	p.ep.Agenda = slices.DeleteFunc(p.ep.Agenda, func(it care.Item) bool { return !it.Due.After(at) })
	it := care.Item{ID: care.ItemID(what + at.String()), What: what, Due: at}
	p.ep.Agenda = append(p.ep.Agenda, it)
	p.step(care.Event{Kind: care.FellDue, Item: it})
	for strings.HasPrefix(p.ep.State, what+".") && p.answer() {
	}
}

func (p *person) improved() string {
	tn, err := p.flow.turn(p.ep, care.Event{}, p.now)
	if err != nil {
		p.t.Fatal(err)
	}
	c := tn.checkNow()
	switch {
	case !c.Now.Asked || !c.Judged:
		return "not_judged"
	case c.Improved(tn.p.Check):
		return "yes"
	default:
		return "no"
	}
}
