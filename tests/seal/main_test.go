package seal

import (
	"os"
	"testing"

	"turnstone/tests/talk"
)

func TestMain(m *testing.M) { os.Exit(talk.Main(m)) }
