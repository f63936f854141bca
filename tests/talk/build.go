// Package talk drives the built program as a channel would: lines in, lines
// out, with a virtual clock. Every line that comes out is held against the
// letter of the data door (check.go), whatever the test is about.
package talk

import (
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Update is set by `go test ./tests -update`: conversations are written anew.
var Update = flag.Bool("update", false, "write the conversations anew; read the difference before you keep it")

// Bot is the path of the built program, once Main has built it.
var Bot string

// Main builds the program, runs the tests of a package and removes it again.
// It returns the exit status for TestMain.
func Main(m *testing.M) int {
	flag.Parse()
	dir, err := os.MkdirTemp("", "turnstone-tests-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() {
		if err := os.RemoveAll(dir); err != nil {
			fmt.Fprintln(os.Stderr, "the built program stays behind:", err)
		}
	}()
	if err := build(filepath.Join(dir, "bot")); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return m.Run()
}

func build(path string) error {
	root, err := Root()
	if err != nil {
		return err
	}
	if err := look(root); err != nil {
		return err
	}
	cmd := exec.Command("go", "build", "-o", path, "./cmd/bot")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("build the program: %w\n%s", err, out)
	}
	Bot = path
	return nil
}

// Root is the folder of the module.
func Root() (string, error) {
	out, err := exec.Command("go", "env", "GOMOD").Output()
	if err != nil {
		return "", fmt.Errorf("find the module: %w", err)
	}
	return filepath.Dir(strings.TrimSpace(string(out))), nil
}

// look asks for every source file, so that `go test` knows that this package
// hangs on them and does not answer from its cache after one has changed.
func look(root string) error {
	return filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); name == "tests" || path != root && strings.HasPrefix(name, ".") {
				return fs.SkipDir
			}
			return nil
		}
		switch filepath.Ext(path) {
		case ".go", ".toml", ".yaml", ".mod", ".sum":
			_, err = os.Stat(path)
		}
		return err
	})
}
