package flow

import (
	"archive/zip"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// zones lists every zone that comes with the tool chain.
func zones(t *testing.T) []string {
	t.Helper()
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatalf("go env GOROOT: %v", err)
	}
	r, err := zip.OpenReader(filepath.Join(strings.TrimSpace(string(root)), "lib", "time", "zoneinfo.zip"))
	if err != nil {
		t.Fatalf("the tool chain's zone data: %v", err)
	}
	defer func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}()
	var names []string
	for _, f := range r.File {
		if !strings.HasSuffix(f.Name, "/") {
			names = append(names, f.Name)
		}
	}
	return names
}
