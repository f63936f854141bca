package protocol

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Each file breaks one rule. The fault that must be told stands on top, in
// `# want:` lines; every fault names the file and a line.
func TestFaultyProtocolsAreRefused(t *testing.T) {
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 35 {
		t.Fatalf("only %d faulty files", len(files))
	}
	placed := regexp.MustCompile(`^[a-z_]+\.yaml:\d+: .+`)
	for _, name := range files {
		t.Run(filepath.Base(name), func(t *testing.T) {
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			_, err = Parse(filepath.Base(name), data)
			if err == nil {
				t.Fatal("taken without a fault")
			}
			for _, line := range strings.Split(err.Error(), "\n") {
				if !placed.MatchString(line) {
					t.Errorf("without a place: %s", line)
				}
			}
			wants := regexp.MustCompile(`(?m)^# want: (.+)$`).FindAllStringSubmatch(string(data), -1)
			if len(wants) == 0 {
				t.Error("the file does not say what it wants")
			}
			for _, w := range wants {
				if !strings.Contains(err.Error(), w[1]) {
					t.Errorf("wants %q, got\n%s", w[1], err)
				}
			}
		})
	}
}

// The faults of a file are told in the order of its lines.
func TestFaultsComeInTheOrderOfTheFile(t *testing.T) {
	data, err := os.ReadFile("testdata/two_faults.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, err = Parse("two_faults.yaml", data)
	if soon, later := strings.Index(err.Error(), "soon"), strings.Index(err.Error(), "later"); soon < 0 || later < soon {
		t.Errorf("got\n%v", err)
	}
}

// Whatever stands in a file, reading it ends with a protocol or with faults.
func FuzzParse(f *testing.F) {
	for _, name := range []string{"../testdata/second.yaml", "files/ankle-1.yaml"} {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("protocol: [1, 2]\nfacts: {a: {kind: yesno}}"))
	f.Add([]byte("- a\n- b"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Parse("f.yaml", data)
		if err == nil && (p.Name == "" || len(p.Talks) == 0) {
			t.Error("an empty protocol was taken")
		}
	})
}
