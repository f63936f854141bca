// Package patients leads the patients of an independent reader through the
// built program, from the first line to the disposition.
package patients

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"turnstone/tests/talk"
)

func TestMain(m *testing.M) { os.Exit(talk.Main(m)) }

// through is how many of the patients go through the built program; package
// flow has all of them.
const through = 60

// A row is one patient: cells by the name of their column.
type row map[string]string

func patients(t *testing.T) []row {
	t.Helper()
	root, err := talk.Root()
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(root, "flow", "testdata", "patients.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(string(data), "\n"), "\n")
	header := strings.Split(lines[0], "\t")
	var all []row
	for n, l := range lines[1 : through+1] {
		cells := strings.Split(l, "\t")
		if len(cells) != len(header) {
			t.Fatalf("line %d has %d cells, the header has %d", n+2, len(cells), len(header))
		}
		r := row{}
		for i, h := range header {
			if cells[i] != "-" {
				r[h] = cells[i]
			}
		}
		all = append(all, r)
	}
	return all
}

func list(s string) []string {
	if s == "" {
		return []string{}
	}
	return strings.Split(s, ",")
}

// The table was written by a reader who saw the protocol's text and neither
// the data file nor the code.
func TestTheFirstPatientsThroughTheBuiltProgram(t *testing.T) {
	all := patients(t)
	if len(all) != through {
		t.Fatalf("got %d patients, want %d", len(all), through)
	}
	for _, r := range all {
		t.Run(r["id"], func(t *testing.T) {
			t.Parallel()
			one(t, r)
		})
	}
}

func one(t *testing.T, r row) {
	p := talk.Person{}
	for _, kv := range strings.Fields(r["facts"]) {
		k, v, _ := strings.Cut(kv, "=")
		p[k] = v
	}
	s := talk.Start(t, talk.Settings{At: r["start"], Zone: r["zone"], Region: "PT", Locale: "en", Person: r["id"]})
	p.DayZero(s)
	got := s.Disposition()
	if got.Disposition != r["disposition"] {
		t.Errorf("%s: %s, want %s", r["note"], got.Disposition, r["disposition"])
	}
	if want := list(r["because"]); !slices.Equal(got.Because, want) {
		t.Errorf("%s: because %v, want %v", r["note"], got.Because, want)
	}
	for _, part := range []string{"ankle", "foot"} {
		if got.Rule[part] != r[part] {
			t.Errorf("%s: %s rule %s, want %s", r["note"], part, got.Rule[part], r[part])
		}
	}
	want := list(r["planned"])
	slices.Sort(want)
	if planned := s.Planned("day_2", "day_3", "seen_check", "danger_check"); !slices.Equal(planned, want) {
		t.Errorf("%s: planned %v, want %v", r["note"], planned, want)
	}
	s.End()
}
