package tests

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The hazard log and the tests name each other: a test that proves a control
// stands in the log, and what the log names as proof is there.
func TestTheHazardLogNamesItsProofs(t *testing.T) {
	log, err := os.ReadFile("../docs/hazards.md")
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	for _, m := range regexp.MustCompile("`(TestHAZ[0-9A-Za-z_]+)`").FindAllStringSubmatch(string(log), -1) {
		named[m[1]] = true
	}
	there := proofs(t)
	for name := range there {
		if !named[name] {
			t.Errorf("%s is not in docs/hazards.md; name it under its hazard", name)
		}
		if id := "## HAZ-" + name[7:9]; !strings.Contains(string(log), id) {
			t.Errorf("%s proves a control of a hazard that the log does not have", name)
		}
	}
	for name := range named {
		if !there[name] {
			t.Errorf("docs/hazards.md names %s, and there is no such test", name)
		}
	}
	if len(there) < 30 {
		t.Errorf("only %d proofs found", len(there))
	}
}

// Who can see what is told with tests that are there.
func TestWhoCanSeeWhatNamesItsProofs(t *testing.T) {
	page, err := os.ReadFile("../docs/who-can-see-what.md")
	if err != nil {
		t.Fatal(err)
	}
	there, named := proofs(t), regexp.MustCompile("`(Test[0-9A-Za-z_]+)`").FindAllStringSubmatch(string(page), -1)
	for _, m := range named {
		if !there[m[1]] {
			t.Errorf("docs/who-can-see-what.md names %s, and there is no such test", m[1])
		}
	}
	if len(named) < 10 {
		t.Errorf("only %d proofs are named", len(named))
	}
	holds := regexp.MustCompile("`Test|cannot prevent it|as above|as before|the same")
	rows := 0
	for line := range strings.SplitSeq(string(page), "\n") {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| ---") || strings.HasPrefix(line, "| who") {
			continue
		}
		rows++
		cells := strings.Split(strings.Trim(line, "| "), " | ")
		if len(cells) != 6 {
			t.Errorf("%d cells: %s", len(cells), line)
		}
		for _, cell := range cells[1:] {
			if !holds.MatchString(cell) {
				t.Errorf("of %s: %q names no test, and does not say that we cannot prevent it", cells[0], cell)
			}
		}
	}
	if rows < 10 {
		t.Errorf("only %d rows", rows)
	}
}

func proofs(t *testing.T) map[string]bool {
	t.Helper()
	there := map[string]bool{}
	decl := regexp.MustCompile(`(?m)^func (TestHAZ[0-9A-Za-z_]+)\(`)
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for _, m := range decl.FindAllStringSubmatch(string(data), -1) {
			there[m[1]] = true
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return there
}
