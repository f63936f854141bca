package tests

import (
	"path/filepath"
	"testing"

	"turnstone/tests/talk"
)

// Each conversation is a file that a clinician can read. `go test ./tests
// -update` writes them anew; the reviewer reads the difference.
func TestConversations(t *testing.T) {
	files, err := filepath.Glob("conversations/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	talk.Scripts(t, files)
}
