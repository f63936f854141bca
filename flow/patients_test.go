package flow

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"turnstone/care"
)

// rows reads a tab-separated table with a header.
func rows(t testing.TB, name string) []map[string]string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(string(data), "\n"), "\n")
	header := strings.Split(lines[0], "\t")
	var all []map[string]string
	for n, l := range lines[1:] {
		cells := strings.Split(l, "\t")
		if len(cells) != len(header) {
			t.Fatalf("%s:%d has %d cells, the header has %d", name, n+2, len(cells), len(header))
		}
		row := map[string]string{}
		for i, h := range header {
			row[h] = strings.TrimPrefix(cells[i], "-")
			if cells[i] != "-" {
				row[h] = cells[i]
			}
		}
		all = append(all, row)
	}
	return all
}

func list(s string) []string {
	if s == "" {
		return []string{}
	}
	return strings.Split(s, ",")
}

// conditional are the questions that only some people are asked.
var conditional = strings.Fields(`not_walking_yet adult_present overall in_cast cast_or_worse xray_result sober_adult pregnancy_sign head_hit wound_deep
	lateral_malleolus medial_malleolus fifth_metatarsal navicular midfoot_press upper_shin four_steps_now`)

// The table was written by a reader who saw the protocol's text and neither
// the data file nor the code: facts in; disposition, reasons, published rule,
// planned items and questions out.
func TestHAZ15_PatientsOfAnIndependentReader(t *testing.T) {
	f := newFlow(t)
	table := rows(t, "testdata/patients.tsv")
	if len(table) < 500 {
		t.Fatalf("only %d patients", len(table))
	}
	for _, row := range table {
		t.Run(row["id"], func(t *testing.T) {
			start, err := time.Parse(time.RFC3339, row["start"])
			if err != nil {
				t.Fatal(err)
			}
			facts := map[string]string{}
			for _, kv := range strings.Fields(row["facts"]) {
				k, v, _ := strings.Cut(kv, "=")
				facts[k] = v
			}
			p := newPerson(t, f, start, row["zone"], facts)
			p.dayZero()
			p.check(row)
		})
	}
}

func (p *person) check(row map[string]string) {
	p.t.Helper()
	var last care.Line
	for _, l := range p.log {
		if l.Type == care.LineDisposition {
			last = l
		}
	}
	if got := last.Disposition.String(); got != row["disposition"] {
		p.t.Errorf("%s: disposition %q, want %q (because %v)", row["note"], got, row["disposition"], last.Because)
	}
	if got, want := last.Because, list(row["because"]); !slices.Equal(got, want) {
		p.t.Errorf("%s: because %v, want %v", row["note"], got, want)
	}
	for _, r := range []string{"ankle", "foot"} {
		if got := last.Rule[r]; got != row[r] {
			p.t.Errorf("%s: %s rule %q, want %q", row["note"], r, got, row[r])
		}
	}
	if got, want := p.planned(), list(row["planned"]); !slices.Equal(sorted(got), sorted(want)) {
		p.t.Errorf("%s: planned %v, want %v", row["note"], got, want)
	}
	got := slices.DeleteFunc(slices.Clone(p.asked), func(f string) bool { return !slices.Contains(conditional, f) })
	var asked []string
	for _, f := range got {
		if f != "wound" && !slices.Contains(asked, f) {
			asked = append(asked, f)
		}
	}
	if want := list(row["asked"]); !slices.Equal(sorted(asked), sorted(want)) {
		p.t.Errorf("%s: asked %v, want %v", row["note"], asked, want)
	}
}

func sorted(s []string) []string { return slices.Sorted(slices.Values(s)) }

// planned lists what is still on the agenda of the kinds the table names.
func (p *person) planned() []string {
	var all []string
	for _, it := range p.ep.Agenda {
		if slices.Contains([]string{"day_2", "day_3", "seen_check", "danger_check"}, it.What) {
			all = append(all, it.What+"@"+it.Due.UTC().Format(time.RFC3339))
		}
	}
	return all
}
