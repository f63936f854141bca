package tests

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// The house, from the ground up. A package may import what stands on a lower
// floor, and on its own floor only where `beside` says so.
var floors = [][]string{
	{"care", "inspect", "seal", "tomlfile"},
	{"store", "settings", "locales/reading"},
	{"locales", "flow/protocol", "flow/answer", "record", "pictures"},
	{"safety", "flow"},
	{"intake", "outbox", "retention", "export", "sign", "staff"},
	{"upkeep", "vitals"},
	{"store/bolt", "store/redis", "store/move", "store/hold", "store/keyfile", "store/storetest", "adapters/data", "adapters/discord", "adapters/discord/double", "adapters/terminal"},
	{"store/sealed"},
	{"backup", "drill"},
	{"cmd/bot"},
}

// alone names modules that only one package may use.
var alone = map[string]string{
	"github.com/looplab/fsm":              "flow",
	"go.etcd.io/bbolt":                    "store/bolt",
	"github.com/bwmarrin/discordgo":       "adapters/discord",
	"github.com/redis/go-redis/v9":        "store/redis",
	"github.com/prometheus/client_golang": "vitals",
	"go.yaml.in/yaml/v3":                  "flow/protocol",
}

type pkg struct {
	ImportPath string
	Imports    []string
}

func packages(t *testing.T) []pkg {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "turnstone/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []pkg
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func floorOf(path string) int {
	return slices.IndexFunc(floors, func(f []string) bool { return slices.Contains(f, path) })
}

func TestImportsPointDown(t *testing.T) {
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, "turnstone/")
		if strings.HasPrefix(name, "tests") || strings.HasPrefix(name, "tools") {
			continue
		}
		at := floorOf(name)
		if at < 0 {
			t.Errorf("package %s stands on no floor; give it one in this test", name)
			continue
		}
		for _, imp := range p.Imports {
			if own, ok := strings.CutPrefix(imp, "turnstone/"); ok && floorOf(own) >= at {
				t.Errorf("%s imports %s, which does not lie below it", name, own)
			}
			if only, ok := alone[imp]; ok && only != name {
				t.Errorf("%s imports %s; only %s may", name, imp, only)
			}
		}
	}
}

// Pure packages have no input, no output, no clock and no goroutine.
func TestReasonIsPure(t *testing.T) {
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, "turnstone/")
		if !slices.Contains([]string{"care", "flow", "flow/answer", "flow/protocol", "safety", "record", "seal"}, name) {
			continue
		}
		for _, imp := range p.Imports {
			if slices.Contains([]string{"os", "net", "net/http", "os/exec", "log", "log/slog", "syscall", "time/tzdata"}, imp) {
				t.Errorf("%s imports %s; it must stay pure", name, imp)
			}
		}
	}
}
